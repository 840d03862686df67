"""The tool's own folder, ``results/``: kept readings, ledger, marks, cards, the lock, and files put in place whole.

Values come in and are kept; the same values come back, or a word on what could not be read. ``store`` keeps readings
and the ledger, ``readings`` turns a reading into text and back, ``marks`` says what was made of each instrument and
when. ``sealed`` writes and checks the checksum of every kept file and sets aside what does not fit; ``kept`` says
what fits. Every file is written beside and moved over in one step (``files``), by the one process that holds the
lock. This room knows the values of the field; the names of tables and reports are passed in.
"""

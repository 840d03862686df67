"""The tool's own folder, ``results/``: kept readings, ledger, marks, cards, the lock, and files put in place whole.

Values come in and are kept; the same values come back, or a word on what could not be read. Every file is written
beside and moved over in one step. Kept files carry a checksum; what does not fit is refused and set aside. This room
knows the values of the field and where they are kept. It knows nothing of tables and reports, whose file names are
passed in. It is the only room that writes.
"""

"""Read and write the tool's own folder, ``results/``: kept readings, ledger, marks, cards, lock and output files.

Values are kept and returned unchanged; if a file cannot be read, the caller is told why. ``store`` keeps readings and
the ledger, ``readings`` converts a reading to text and back, and ``marks`` records what was made for each instrument.
``sealed`` writes and checks the checksum of every kept file and sets invalid files aside; ``kept`` defines what is
valid. ``uploads`` keeps what phones are sending until it is whole. Every other file is written under a temporary
name and moved into place in one step (``files``), only by the process that holds the lock. This package
knows the value types of the model; the names of tables and reports are passed in.
"""

"""The tool's own folder, ``results/``: kept readings, the ledger, the marks, the lock, and files put in place whole.

Values come in and are kept; the same values come back, or a word on what could not be read. Every file is written
beside and moved over in one step. This is the only room that writes.
"""

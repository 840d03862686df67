"""The version of the method, by which readings are kept apart."""

METHOD = "15"
"""Raise it whenever the same bytes may give another number; else old readings stay."""

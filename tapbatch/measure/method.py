"""The version of the method. Readings made with different versions are kept apart."""

METHOD = "20"
"""Raise it whenever the same bytes may give a different number; otherwise old readings stay in use."""

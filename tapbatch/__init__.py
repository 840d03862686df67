"""Offline batch processor for recorded taps of instruments in the making."""

__version__ = "0.1.0"

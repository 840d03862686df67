"""The values that travel, and the rules of the field.

A recording is heard as taps and measured as modes: a :mod:`reading <tapbatch.model.reading>`. Readings become stages,
drifts and landings: a :mod:`history <tapbatch.model.history>`. Beside them are the closed word lists of names, the
settings, pitch and notes, and the errors. Everything is a frozen value with its unit in its name. Nothing comes in
from outside, and this room knows no other.
"""

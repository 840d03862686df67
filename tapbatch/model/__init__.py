"""The values that travel, and the rules of the field.

A recording is heard as taps and measured as modes: a :mod:`reading <tapbatch.model.reading>`. Readings become stages,
drifts (how far a mode moved) and landings (how far it still is from a target or a note): a
:mod:`history <tapbatch.model.history>`. A caution says what differed between two stages besides the wood; a notice,
what was noticed of a recording or a run; a flag, what limits one reading. Beside them are the closed word lists of
names, the settings, pitch and notes, and the errors. Everything is a frozen value with its unit in its name. Nothing
comes in from outside, and this room knows no other.
"""

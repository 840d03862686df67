"""Fuzzing: rounds of mixed trouble on a small shop, drawn from a seed, checked after every action, and logged.

A round begins with a new shop and does a dozen actions in a row: recordings come, go and change; names and files are
hostile; settings, notes and kept files are edited or damaged; runs and watches are killed, stopped, or meet a full
disk. ``plan`` draws all actions of a round before the first is done, so the same seed gives the same actions whatever
the machine. ``playing`` does them, ``checks`` look at what is there after each, and ``log`` writes a line for each.
"""

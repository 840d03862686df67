"""Fuzz the program: rounds of mixed trouble in a small shop, drawn from a seed, checked and logged.

A round starts with a new shop and does a dozen actions in a row: recordings come, go and change; names and files are
hostile; settings, notes and kept files are edited or damaged; runs and watches are killed, stopped, or meet a full
disk. ``plan`` draws all actions of a round before the first one is done, so the same seed gives the same actions on
every machine. ``playing`` does them, ``checks`` examines the shop after each, and ``log`` writes a line for each.
"""

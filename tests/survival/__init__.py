"""What a run survives: each trial disturbs runs in one way, lets the next run finish, and checks what it left.

A disturbance is survived if the results of the next run are byte for byte those of an undisturbed run, if there is
nothing else among them, and if no recording was touched. ``python -m tests.survival`` runs all trials and prints the
table; with ``--write`` it also writes ``RESULTS.md`` beside this file.
"""

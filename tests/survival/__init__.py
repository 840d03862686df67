"""What a run survives: each trial disturbs runs in one way, lets the next run finish, and looks at what is there.

A disturbance is survived when afterwards the next run's results are byte for byte those of an undisturbed run, when
nothing else lies among them, and when no recording was touched. ``python -m tests.survival`` plays all trials and
prints the table, and with ``--write`` writes it to ``RESULTS.md`` beside this file.
"""

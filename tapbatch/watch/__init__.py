"""The day at the bench: passes of the same run over whatever has just arrived.

Looks at the folder come in; passes go out, and the page is served. ``arrivals`` decides when a file has fully
arrived, ``measuring`` measures it in a process beside the watch, so that none waits for a long one, ``drawing`` does
the same for reports, and ``watching`` joins them. The served page is in ``serving``, and who may connect for how long
in ``connections``. Clock, hints, measurer and drawer are handed in, so tests neither wait nor sleep.
"""

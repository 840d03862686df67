"""Sound in: a file becomes samples, and samples become taps.

A file of any common kind comes in; out go its samples at their own rate (:class:`~tapbatch.model.reading.Sound`),
the knocks heard in them, which of these are taps and why the others are not, and what was noticed on the way. A new
file format is opened in ``streams``; what a phone writes at the head of a file is read in ``header``. Knocks are
found in ``taps`` (those hidden in the ringing before them by ``innovation``) and accepted or refused, bounces
included, in ``judging``. The room knows the values and nothing else: no mode is measured here.
"""

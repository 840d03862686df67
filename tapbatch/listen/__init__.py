"""Sound in: a file becomes samples, and samples become taps.

A file of any common kind comes in; out go its samples at their own rate (:class:`~tapbatch.model.reading.Sound`),
the knocks heard in them, which of these are taps and why the others are not, and what was noticed on the way. A new
file format, or a header that a phone writes, is a matter for this room. It knows the values and nothing else: no mode
is measured here.
"""

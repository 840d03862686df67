"""The report on paper: reading slip, bench card, charts and tables, page by page, as a PDF.

A history and the settings come in; the bytes of a PDF go out. What the pages say is decided in ``view``; what the
charts look like, in ``draw``.
"""

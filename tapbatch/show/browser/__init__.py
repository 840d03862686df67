"""The page for the browser: one HTML file with all instruments, their charts and tables.

Histories come in; HTML goes out, as a card for each instrument and the page around them. All text is data and is
escaped. What the page says is decided in ``view``; what its charts look like, in ``draw``.
"""

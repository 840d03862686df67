"""The charts as marks: lines, dots, areas and words, each with its place and its role.

What is shown comes in, marks go out, in one system of coordinates (``chart``). A mark has a role (a reading, a guide,
a fit) and no colour: the printers of ``pdf`` and ``browser`` give it one. A new chart is drawn here, once for both;
what it shows is decided in ``view``; it is placed by :mod:`tapbatch.show.pdf.report` and
:mod:`tapbatch.show.browser.figures`.

All charts take their ``look`` (what they are drawn for) last. ``stages`` are those of one part unless a chart says
otherwise, one at least, the oldest first. From the ``settings`` come the half-width in cents up to which a reading
counts as sure, and whether notes are spelled with sharps or flats.
"""

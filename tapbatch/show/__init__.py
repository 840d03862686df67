"""What a maker sees, on paper, in the browser, at the terminal and in tables.

A history and the settings come in; bytes or lines go out. Each way of showing is called a face. ``say`` makes the
sentences, ``view`` decides what is shown, ``draw`` turns it into marks, and the faces ``tables``, ``terminal``,
``pdf`` and ``browser`` print it. Nothing is computed from sound here, and nothing is written to disk.
"""

"""What the terminal shows: readings, comparisons, progress and what needs attention, in lines of 80 columns.

The same answers as on paper come in; lines go out.
"""

"""The words: each verdict, caution, notice, flag and figure as a maker reads it.

Values come in, words go out. Every face uses these, so a thing is called the same everywhere; a sentence that sounds
odd is changed here, and nowhere else. Verdicts, flags and figures are worded in ``words``; cautions, notices, what is
still to go (``landings``) and what was learned or never noted (``conditions``) have a file each.
"""

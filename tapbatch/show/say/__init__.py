"""The words: each verdict, caution, notice, flag and figure as a maker reads it.

Values come in, words go out. Every face uses these, so a thing is called the same everywhere; a sentence that sounds
odd is changed here, and nowhere else. Verdicts, flags and figures are worded in ``words``; cautions, notices, what is
still to go (``landings``) have a file each, with what was learned or never noted among the cautions.
"""

"""The maker's folder, as the maker keeps it: settings files, bench notes, recordings, and an empty shop to begin.

Files that a person writes come in; checked values go out, and what is not understood is said with file, line and key.
A new setting or a new column of the notes is read here. Nothing in the maker's folder is ever changed.
"""

"""The day at the bench: passes of the same run over whatever has just arrived.

Looks at the folder come in; passes go out, and the page is served. When a file has wholly arrived, how reports are
drawn beside without holding an arrival up, and the server live here. Clock, hints and drawer are handed in, so tests
neither wait nor sleep.
"""

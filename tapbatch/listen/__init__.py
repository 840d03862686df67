"""Sound in: names, files, and the taps in them."""

"""The page for the browser: one file with all instruments, that needs no network and opens from the disk."""

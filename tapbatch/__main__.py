"""``python -m tapbatch`` is ``tapbatch``."""

from tapbatch.cli import main

main()

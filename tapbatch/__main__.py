"""The program, as ``tapbatch`` and as ``python -m tapbatch``."""

import sys


def main() -> None:
    """Load the commands and run the command line; Ctrl-C while they are loaded ends it with status 130."""
    try:
        from tapbatch.model.interrupts import heed_lost_interrupts

        heed_lost_interrupts()
        from tapbatch.cli import main as run
    except KeyboardInterrupt:
        sys.exit(130)
    run()


if __name__ == "__main__":
    main()

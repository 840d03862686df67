"""Run the program and stop it at its n-th step: ``python -m tests.survival.fuzz.struck STEP BLOW BELOW ARGUMENT...``.

Conventions: steps and blows are those of :mod:`tests.survival.steps`; ``BELOW`` is the folder whose steps count.
"""

from __future__ import annotations

import sys
from typing import cast

from tests.survival.steps import Blow, arm


def main() -> None:
    """Arm the blow, then run the program."""
    step, blow, below, *arguments = sys.argv[1:]
    sys.argv = ["tapbatch", *arguments]
    from tapbatch.cli import main as program

    arm(int(step), cast("Blow", blow), below)
    program()


if __name__ == "__main__":
    main()

"""Make the folders for a round: a shop, its results on a small disk, and folders beside it that must not change.

Conventions: the results have a file system of their own if one can be mounted, so that a disk can be full. Otherwise
a limit on the size of files (``RLIMIT_FSIZE``) stands in for it, and ``disk`` says so. The home folder, the folder
for temporary files and the working directory of the program are all inside.
"""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from shutil import rmtree

from tests.survival.fuzz.checks import facts_below

DISK_KB = 128 * 1024
_FOLDERS = ("shop/recordings", "shop/instruments", "shop/results", "victim", "desk", "home", "tmp", "said")


@dataclass(frozen=True)
class Arena:
    """The folders of a round; ``disk`` is "tmpfs" or "RLIMIT_FSIZE"."""

    root: Path
    disk: str

    @property
    def shop(self) -> Path:
        """The shop."""
        return self.root / "shop"

    @property
    def recordings(self) -> Path:
        """Its recordings."""
        return self.shop / "recordings"

    @property
    def results(self) -> Path:
        """Its results."""
        return self.shop / "results"

    @property
    def victim(self) -> Path:
        """The folder that links point to."""
        return self.root / "victim"

    @property
    def desk(self) -> Path:
        """The working directory of commands."""
        return self.root / "desk"

    @property
    def environment(self) -> dict[str, str]:
        """The environment variables that tell commands about these folders."""
        return {"HOME": str(self.root / "home"), "TMPDIR": str(self.root / "tmp"), "COLUMNS": "80"}

    def outside(self) -> dict[str, tuple[object, ...]]:
        """Return the facts of everything that no command may write to, except the recordings."""
        return facts_below(self.root, ("shop/results", "shop/recordings", "tmp", "said", "fresh"))

    def room(self, room_kb: int | None) -> int | None:
        """Leave ``room_kb`` kilobytes free on the disk, or all of it if ``None``.

        Returns the limit on the size of a file, in bytes, that stands in for a disk; ``None`` if there is a disk.
        """
        if self.disk != "tmpfs":
            return None if room_kb is None else max(room_kb, 1) * 1024
        facts = os.statvfs(self.results)
        used_kb = (facts.f_blocks - facts.f_bfree) * facts.f_frsize // 1024
        size_kb = DISK_KB if room_kb is None else used_kb + room_kb
        # A size of zero would mean no limit.
        subprocess.run(["mount", "-o", f"remount,size={max(size_kb, 4)}k", str(self.results)], check=True)
        return None


@contextmanager
def arena(root: Path) -> Iterator[Arena]:
    """Make the folders of a round in an empty folder, and delete them afterwards."""
    for folder in _FOLDERS:
        (root / folder).mkdir(parents=True)
    (root / "victim" / "precious.txt").write_text("precious\n", encoding="utf-8")
    (root / "victim" / "modes.csv").write_text("of someone else\n", encoding="utf-8")
    (root / "victim" / "report.pdf").write_text("of someone else\n", encoding="utf-8")
    results = root / "shop" / "results"
    command = ["mount", "-t", "tmpfs", "-o", f"size={DISK_KB}k", "tmpfs", str(results)]
    try:
        mounted = subprocess.run(command, capture_output=True, check=False).returncode == 0
    except FileNotFoundError:
        mounted = False
    try:
        yield Arena(root, "tmpfs" if mounted else "RLIMIT_FSIZE")
    finally:
        if mounted:
            subprocess.run(["umount", "-l", str(results)], check=True)
        rmtree(root)

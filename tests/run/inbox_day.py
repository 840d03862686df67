"""A shop with an inbox, on one day."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

from tapbatch.results.files import is_half_written
from tapbatch.run.inbox import Looked, look_into
from tapbatch.run.now import Answered, Asked, answer
from tapbatch.shop.folder import Shop, open_shop
from tests.shops import make_shop, taps, write_wav

NOON = datetime.now().astimezone().replace(year=2026, month=3, day=14, hour=12, minute=0, second=0, microsecond=0)


class Day:
    """A shop with an inbox on one day, and its clock."""

    def __init__(self, root: Path) -> None:
        self.root = make_shop(root, {"lyre-2/05-closed/a.wav": taps(1, count=1)})
        self.inbox = root / "inbox"
        self.inbox.mkdir()
        self.now = NOON

    @property
    def shop(self) -> Shop:
        return open_shop(self.root)

    def clock(self) -> datetime:
        return self.now

    def wait(self, minutes: float) -> None:
        self.now += timedelta(minutes=minutes)

    def drop(self, name: str, number: int, *, at: bool = True) -> str:
        """Put a recording into the inbox; with ``at`` its name says that it was made now."""
        name = f"{name} {self.now:%Y-%m-%d %H-%M-%S}.wav" if at else f"{name}.wav"
        write_wav(self.inbox / name, taps(number, count=1))
        return name

    def say(self, *fields: str, **asked: object) -> Answered:
        return answer(self.shop, Asked(fields=fields, **asked), self.clock)  # type: ignore[arg-type]

    def look(self) -> Looked:
        return look_into(self.shop, self.clock)

    @property
    def there(self) -> set[str]:
        folder = self.root / "recordings"
        files = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}
        return {f for f in files if not is_half_written(f.rpartition("/")[2])} - {"lyre-2/05-closed/a.wav"}

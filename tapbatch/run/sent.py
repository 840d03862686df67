"""Take a recording that a phone has sent into the inbox, and from there to the place that the phone named.

Conventions: the log says where the recording belongs before it lies in the inbox. So whatever a kill leaves undone is
done by the next look into the inbox, or by the next call here, with the same end: one original in the inbox and one
copy in its place. A name in the inbox is never taken twice. Bytes that are in their place are not taken again.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

from tapbatch.listen.files import hash_file
from tapbatch.model.bench_log import BenchLog, Event
from tapbatch.model.errors import ShopError, SoundError, reason_of
from tapbatch.model.names import is_device_name, is_sound_name
from tapbatch.results.files import put_linked
from tapbatch.results.lock import A_PHONE, hold
from tapbatch.results.uploads import Upload
from tapbatch.run.copies import holds, names_for
from tapbatch.run.inbox import Clock, give, look_into, utc_now, waiting_event
from tapbatch.shop.folder import Shop
from tapbatch.shop.now_file import append, read_log

_MOST_NAME_BYTES = 200
_NOT_IN_NAMES = re.compile(r'[<>:"|?*\\/\x00-\x1f\x7f-\x9f\ud800-\udfff]+')


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """A recording that was taken: its name in the inbox, and where its copy lies below ``recordings/``.

    ``already`` tells that the same bytes were there before. ``recording`` is empty if the copy could not be made yet;
    ``why`` says why, and the next run tries again.
    """

    original: str
    recording: str
    already: bool = False
    why: str = ""


def cleaned_name(name: str) -> str:
    """Return a name that every file system takes, for a file of which a phone says the name.

    Raises
    ------
    SoundError
        If its ending is not that of a recording.

    Examples
    --------
    >>> cleaned_name("../../New Recording 4.m4a"), cleaned_name("con.wav"), cleaned_name(".hidden?.wav")
    ('New Recording 4.m4a', '_con.wav', 'hidden_.wav')
    """
    last = re.split(r"[/\\]", name)[-1]
    last = "".join(c if c.isprintable() else "_" for c in last)
    stem, _, ending = _NOT_IN_NAMES.sub("_", last).strip().lstrip(".~ ").rpartition(".")
    # Other letters of an ending, such as those of other scripts, are none that a decoder knows.
    if not is_sound_name(f"x.{ending}"):
        raise SoundError(
            last[:80] or "the file", "is not named like a recording", "send a recording, such as .m4a or .wav"
        )
    stem = stem.strip(" .~") or "recording"
    stem = f"_{stem}" if is_device_name(stem) else stem
    cut = stem.encode()[: _MOST_NAME_BYTES - len(ending)].decode(errors="ignore").strip()
    return f"{cut}.{ending}"


def take(
    shop: Shop, upload: Upload, source: Path, clock: Clock = utc_now, say: Callable[[str], None] = lambda _line: None
) -> Taken:
    """Take a recording that has wholly arrived into the inbox, and copy it to its place.

    Whether it is sound is asked before (:class:`tapbatch.run.sound_check.SoundCheck`).

    Parameters
    ----------
    shop
        The shop, as opened.
    upload
        What is known of the recording.
    source
        The file with its bytes; it is left where it is.
    clock
        Returns the time; default that of the system.
    say
        Called with one line if it has to wait for a run to end.

    Raises
    ------
    SoundError
        If the file cannot be read.
    ShopError
        If the inbox cannot be written.
    """
    sha256 = hash_file(source)
    with hold(shop.results_dir, A_PHONE, say):
        log, _ = read_log(shop.root)
        known = _known(shop, log, upload, sha256)
        if known is not None:
            return known
        original = _into_inbox(shop, log, upload, source, sha256, clock)
        if sha256 in log.handled:
            # What was taken out does not come back by itself, but this was sent again.
            event = replace(waiting_event(shop, original, clock), sha256=sha256)
            placed = give(shop, event, upload.bench, clock)
            return Taken(original=original, recording=placed.recording)
        looked = look_into(shop, clock, {original})
    there = next((e for e in looked.log.placed.values() if e.sha256 == sha256), None)
    if there is not None:
        return Taken(original=original, recording=there.recording)
    what = next((w.what for w in looked.waiting), "")
    return Taken(original=original, recording="", why=what or "the same recording is elsewhere below recordings/")


def _known(shop: Shop, log: BenchLog, upload: Upload, sha256: str) -> Taken | None:
    """Return what was taken before with the same bytes; ``None`` if they are new, or were taken out."""
    placed = [event for event in log.placed.values() if event.sha256 == sha256]
    # The upload itself may have been taken before a kill.
    own = any(event.mark == upload.id and event.sha256 == sha256 for event in log.sent.values())
    for event in placed:
        if holds(shop.recordings_dir / event.recording, sha256):
            return Taken(original=event.original, recording=event.recording, already=not own)
    return None


def _into_inbox(shop: Shop, log: BenchLog, upload: Upload, source: Path, sha256: str, clock: Clock) -> str:
    """Put a recording into the inbox under a name of its own, with its destination in the log; return the name."""
    inbox = shop.inbox_dir
    try:
        if inbox.is_symlink() and not inbox.exists():
            raise OSError(None, "the inbox is a link that leads nowhere")
        inbox.mkdir(parents=True, exist_ok=True)
        for name in (*_earlier(shop, log, sha256), *names_for(PurePosixPath(upload.name))):
            path = inbox / name
            is_there = path.is_symlink() or path.exists()
            if is_there and (path.is_symlink() or not holds(path, sha256)):
                continue
            # Where its bytes are in the inbox already, a kill came before, or they were taken out of their place.
            _say_where(shop, log, upload, name, sha256, clock)
            if not is_there:
                put_linked(source, path)
            return name
    except (OSError, SoundError) as error:
        raise ShopError("inbox", reason_of(error), "make room or let the inbox be written") from error
    raise ShopError("inbox", "there are too many files of this name", "clear the inbox")


def _earlier(shop: Shop, log: BenchLog, sha256: str) -> list[str]:
    """Return the names in the inbox under which the same bytes came before, and still are there."""
    names = dict.fromkeys(e.original for e in reversed(log.events) if e.sha256 == sha256 and e.original)
    return [name for name in names if holds(shop.inbox_dir / name, sha256)]


def _say_where(shop: Shop, log: BenchLog, upload: Upload, name: str, sha256: str, clock: Clock) -> None:
    """Write into the log where a recording belongs, unless that was written before a kill."""
    before = log.sent.get((name, sha256))
    if before is not None and (before.mark, before.bench) == (upload.id, upload.bench):
        return
    said = Event(
        at=clock(),
        what="sent",
        bench=upload.bench,
        original=name,
        sha256=sha256,
        mark=upload.id,
        recorded_at=upload.recorded_at,
    )
    append(shop.root, said)

"""Look whether a file that someone sent is sound, in a process of its own with little memory and time.

Conventions: a file may be made so that a decoder needs far more memory or time than its size suggests: a few hundred
bytes can promise a hundred million pieces. So the file is decoded in another process, which may use ``MOST_BYTES`` of
memory (where the system can limit it: not on Windows) and ``MOST_S`` of time. Only the beginning is decoded. The
process may be begun before the file is whole; it ends by itself when the watch does.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from contextlib import suppress
from pathlib import Path
from threading import Lock
from weakref import finalize

from tapbatch.listen.streams import open_stream
from tapbatch.model.errors import ShopError, SoundError

MOST_BYTES = 2_000_000_000
"""How much address space the process may use; the libraries alone take a third of it."""

MOST_S = 30.0
"""How long the process may take; a recording of a phone takes less than one second."""

_LOOK = "from tapbatch.run.sound_check import look; look()"
_ASKED_TO_END = (signal.SIGTERM, signal.SIGINT, getattr(signal, "SIGKILL", signal.SIGTERM))


class SoundCheck:
    """Looks at one file after another, each in a process of its own, which may be begun before there is a file."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._ready: list[subprocess.Popen[bytes]] = []
        finalize(self, _end, self._ready)

    def prepare(self) -> None:
        """Begin the process for the next file: importing the decoders takes it longer than looking."""
        with self._lock:
            if not self._ready:
                # Without it, looking takes longer, and says what is wrong.
                with suppress(OSError):
                    self._ready.append(_begun())

    def refuse_unless_sound(self, path: Path) -> None:
        """Refuse a file in which no sound can be decoded, or only with far too much memory or time.

        Raises
        ------
        SoundError
            If it is none.
        ShopError
            If it could not be looked at; then nothing is known of the file.
        """
        try:
            with self._lock:
                process = self._ready.pop() if self._ready else _begun()
            asked = json.dumps(os.fspath(path)).encode()
            written, _ = process.communicate(asked, timeout=MOST_S)
        except subprocess.TimeoutExpired:
            _end([process])
            raise _too_much(path) from None
        except OSError as error:
            raise _not_looked_at(path) from error
        told = _told(written)
        if told is not None:
            if told:
                raise SoundError(path.name, *told)
            return
        if process.returncode < 0 and -process.returncode not in _ASKED_TO_END:
            # The decoder itself crashed.
            raise _too_much(path)
        raise _not_looked_at(path)


def _begun() -> subprocess.Popen[bytes]:
    """Begin a process that looks at the file whose path, as JSON, it is told on its standard input."""
    paths = os.pathsep.join(filter(None, sys.path))
    environment = {**os.environ, "PYTHONPATH": paths, "OPENBLAS_NUM_THREADS": "1", "MALLOC_ARENA_MAX": "2"}
    return subprocess.Popen(
        [sys.executable, "-P", "-c", _LOOK],
        env=environment,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        # Ctrl-C is for the watch, and not for a process that it waits for.
        start_new_session=True,
    )


def _end(processes: list[subprocess.Popen[bytes]]) -> None:
    """End processes that are not needed."""
    for process in processes:
        process.kill()
        process.communicate()


def look() -> None:
    """Look at the file that standard input names in JSON, and write what is wrong with it as JSON."""
    _limit()
    with suppress(ImportError):
        import av  # noqa: F401
    asked = sys.stdin.buffer.read()
    if not asked:
        return
    path = Path(json.loads(asked))
    told: list[str] = []
    try:
        with open_stream(path) as stream:
            next(stream.blocks)
    except StopIteration:
        told = ["there is no sound in the file", "record again"]
    except SoundError as error:
        told = [error.what, error.remedy]
    except MemoryError:
        refused = _too_much(path)
        told = [refused.what, refused.remedy]
    sys.stdout.write(json.dumps(told))


def _limit() -> None:
    with suppress(ImportError, OSError, ValueError):
        from resource import RLIMIT_AS, RLIMIT_CORE, RLIMIT_CPU, setrlimit

        setrlimit(RLIMIT_CORE, (0, 0))
        setrlimit(RLIMIT_CPU, (int(MOST_S), int(MOST_S)))
        setrlimit(RLIMIT_AS, (MOST_BYTES, MOST_BYTES))


def _told(written: bytes) -> list[str] | None:
    """Return what is wrong with a file, nothing if it is sound, and ``None`` if the process did not say."""
    with suppress(ValueError):
        told = json.loads(written)
        if isinstance(told, list) and len(told) in (0, 2) and all(isinstance(each, str) for each in told):
            return told
    return None


def _too_much(path: Path) -> SoundError:
    return SoundError(path.name, "it cannot be decoded with reasonable memory and time", "record again")


def _not_looked_at(path: Path) -> ShopError:
    return ShopError(path.name, "could not be looked at", "send it again when the computer is less busy")

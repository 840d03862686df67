"""The key that a phone shows with every request, and who may look without one.

Conventions: the key is 128 random bits, as 22 letters of URL-safe base64. It stands in the fragment of the printed
link, which no browser sends, and comes back in a header. It is compared in constant time and never logged. It is new
at each start, unless it is kept in ``results/`` in a file that only its owner may read. A right key always passes; of
wrong ones only a few a minute are answered at all.
"""

from __future__ import annotations

import hmac
import os
import re
import secrets
import stat
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from ipaddress import ip_address
from pathlib import Path
from threading import Lock

from tapbatch.model.errors import ShopError, reason_of

HEADER = "Tapbatch-Key"
FILE = ".phone-key"
MOST_WRONG = 20
"""How many wrong keys are answered as wrong in ``WRONG_S``; what comes beyond is told to wait."""

WRONG_S = 60.0

_BYTES = 16
_KEY = re.compile(r"[A-Za-z0-9_-]{22}")


def new_key() -> str:
    """Return a new key.

    Examples
    --------
    >>> len(new_key())
    22
    """
    return secrets.token_urlsafe(_BYTES)


def kept_key(results: Path) -> str:
    """Return the key that is kept in the results, or a new one, which is kept from now on.

    A file that others could have read or written, that is a link or holds no key is replaced.

    Raises
    ------
    ShopError
        If the key cannot be kept.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> kept_key(folder) == kept_key(folder)
    True
    """
    path = results / FILE
    found = _read(path)
    if found:
        return found
    key = new_key()
    try:
        results.mkdir(parents=True, exist_ok=True)
        path.unlink(missing_ok=True)
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_NOFOLLOW", 0), 0o600)
        with os.fdopen(handle, "w", encoding="ascii") as file:
            file.write(f"{key}\n")
    except OSError as error:
        raise ShopError(str(path), reason_of(error), "let results/ be written, or leave out --keep-key") from error
    return key


def _read(path: Path) -> str:
    try:
        with os.fdopen(os.open(path, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0)), "rb") as file:
            facts = os.fstat(file.fileno())
            read = file.read(100)
    except OSError:
        return ""
    # Windows knows no such permissions.
    open_to_others = os.name == "posix" and (facts.st_mode & 0o077 or facts.st_uid != os.getuid())
    text = read.decode("ascii", "replace").strip()
    return text if stat.S_ISREG(facts.st_mode) and not open_to_others and _KEY.fullmatch(text) else ""


def is_this_machine(client: str, served: str) -> bool:
    """Tell whether a request comes from this machine: from a loopback address, or from the address that is served.

    Examples
    --------
    >>> [is_this_machine(client, "192.168.0.7") for client in ("127.0.0.1", "::1", "192.168.0.7", "192.168.0.8")]
    [True, True, True, False]
    """
    try:
        address = ip_address(client.partition("%")[0])
        mapped = getattr(address, "ipv4_mapped", None) or address
        return mapped.is_loopback or mapped == ip_address(served.partition("%")[0])
    except ValueError:
        return False


@dataclass(slots=True)
class Gate:
    """Lets in who shows the key, and counts who shows another.

    Parameters
    ----------
    key
        The key.
    clock
        Returns seconds that never go backwards.

    Examples
    --------
    >>> gate = Gate("a" * 22, lambda: 0.0)
    >>> gate.lets_in("a" * 22), gate.lets_in("b" * 22), gate.lets_in("")
    (True, False, False)
    """

    key: str
    clock: Callable[[], float]
    _wrong: deque[float] = field(default_factory=lambda: deque(maxlen=MOST_WRONG))
    _lock: Lock = field(default_factory=Lock)

    def lets_in(self, shown: str) -> bool:
        """Tell whether this is the key."""
        return hmac.compare_digest(shown.encode("utf-8", "replace"), self.key.encode())

    def had_too_many(self) -> bool:
        """Count a wrong key, and tell whether there were too many lately."""
        with self._lock:
            now_s = self.clock()
            too_many = len(self._wrong) == MOST_WRONG and now_s - self._wrong[0] < WRONG_S
            if not too_many:
                self._wrong.append(now_s)
            return too_many

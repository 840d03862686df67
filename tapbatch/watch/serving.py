"""Serving the results to a browser while a shop is under watch: the page, its files, and what is newest.

Conventions: for this machine only unless another address is asked for. Nothing but what the tool itself wrote is
given out, and nothing can be changed: the page, the list of what needs attention, and the tables, report and workbook
of each instrument that it knows. No link is followed. A request that names a host which is neither an address nor
this machine's own name is refused, so that a page from elsewhere cannot read the results through a name that it lets
point here. ``live`` says which page there is and which instrument was read last.
"""

from __future__ import annotations

import json
import os
import socket
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import partial
from http import HTTPStatus
from ipaddress import ip_address
from itertools import chain
from pathlib import Path
from threading import Thread
from typing import BinaryIO
from urllib.parse import unquote_to_bytes, urlsplit

from tapbatch.model.errors import ShopError
from tapbatch.results.files import OWN_PAGE, REPORT, facts_of
from tapbatch.results.marks import is_known
from tapbatch.run.blanks import BLANKS, STORE, STORE_PDF
from tapbatch.run.page import PAGE
from tapbatch.show.tables.columns import BLANK_FILES, TABLE_FILES
from tapbatch.show.tables.workbook import workbook_name
from tapbatch.watch.connections import CONNECTIONS, BoundedServer, TimedHandler, most_connections

HERE = "127.0.0.1"
PORT = 8017
ATTENTION = "attention.csv"
PIECE_BYTES = 65_536
"""How much of a file is held while it is sent."""

_NOT_IN_HOSTS = frozenset("/\\@?#\t\r\n ")
_KINDS = {
    ".html": "text/html; charset=utf-8",
    ".csv": "text/csv; charset=utf-8",
    ".pdf": "application/pdf",
    ".xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}


@dataclass(slots=True)
class Live:
    """What a served page asks for: where the results lie, and which instrument (the id of its row) is newest."""

    results: Callable[[], Path]
    latest: str = ""

    def told(self) -> bytes:
        """Return it as JSON: the ``version`` of the page, and the ``latest`` instrument."""
        facts = facts_of(self.results() / PAGE)
        version = "-".join(map(str, facts)) if facts else ""
        return json.dumps({"version": version, "latest": self.latest}).encode()


@dataclass(slots=True)
class Serving:
    """A server at work in a thread of its own; ``url`` is where the page is.

    ``connections`` is how many it serves at a time, and ``most_each`` how many of one machine. ``handler`` answers
    instead of the one that gives out the results only.

    Raises
    ------
    ShopError
        Where the address or the port cannot be had, or the system allows too few open files.
    """

    live: Live
    address: str = HERE
    port: int = PORT
    connections: int = CONNECTIONS
    handler: type[ResultsHandler] | None = None
    most_each: int | None = None
    _server: BoundedServer = field(init=False)

    def __post_init__(self) -> None:
        live, most = self.live, most_connections()
        if self.connections > most:
            what = f"this system allows too few open files for {self.connections} connections"
            fewer = "" if most < 1 else f"ask for {most:.0f}, or "
            raise ShopError("--connections", what, f"{fewer}raise the limit (ulimit -n)")

        class Handler(self.handler or ResultsHandler):  # type: ignore[misc]
            of = live

        try:
            self._server = BoundedServer((self.address, self.port), Handler, self.connections, self.most_each)
        except (OSError, OverflowError) as error:
            reason = (getattr(error, "strerror", None) or str(error)).lower()
            where, remedy = f"{self.address}:{self.port}", "choose another with --port, or end what uses it"
            raise ShopError(where, f"the page cannot be served there: {reason}", remedy) from error
        Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.2}, daemon=True).start()

    @property
    def url(self) -> str:
        """Where the page is."""
        host = socket.gethostname() if self.address in ("0.0.0.0", "::") else self.address
        return f"http://{f'[{host}]' if ':' in host else host}:{self._server.server_port}/"

    def close(self) -> None:
        """Stop serving."""
        self._server.shutdown()
        self._server.server_close()


class ResultsHandler(TimedHandler):
    """Gives out the results, and changes nothing."""

    of: Live
    # One question a connection, as in HTTP/1.0: none outlives the watch.
    server_version = "tapbatch"
    sys_version = ""

    def do_GET(self) -> None:  # noqa: N802
        """Answer with a file of the results."""
        if not is_own_host(self.headers.get("Host", "")):
            self.answer(HTTPStatus.FORBIDDEN, b"ask by this machine's address\n")
            return
        path = urlsplit(self.path).path
        if path == "/live":
            self.answer(HTTPStatus.OK, self.of.told(), "application/json")
            return
        self.give_out(path)

    do_HEAD = do_GET  # noqa: N815

    def give_out(self, path: str) -> None:
        """Answer with a file of the results, if it may be given out."""
        found = file_below(self.of.results(), path)
        try:
            file = found.open("rb") if found else None
        except OSError:
            file = None
        if found is None or file is None:
            # A watch draws reports when nothing has moved for a while.
            self.answer(HTTPStatus.NOT_FOUND, b"not there, or not drawn yet: try again in a few seconds\n")
            return
        with file:
            self._send_file(file, found)

    def _send_file(self, file: BinaryIO, path: Path) -> None:
        """Answer with a file, piece by piece: a page may have megabytes, and there may be many connections."""
        length, first = os.fstat(file.fileno()).st_size, file.read(PIECE_BYTES)
        if path.suffix == ".html":
            from tapbatch.show.browser.page import as_served

            length, first = length - len(first), as_served(first)
            length += len(first)
        self._begin(HTTPStatus.OK, length, _KINDS[path.suffix])
        if self.command != "HEAD":
            self.send_whole(chain([first], iter(partial(file.read, PIECE_BYTES), b"")), length)

    def answer(self, status: HTTPStatus, data: bytes, kind: str = "text/plain; charset=utf-8") -> None:
        """Answer with some bytes."""
        self._begin(status, len(data), kind)
        if self.command != "HEAD":
            self.send_whole([data], len(data))

    def _begin(self, status: HTTPStatus, length: int, kind: str) -> None:
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(length))
        self.send_header("Cache-Control", "no-store")
        self.send_header("X-Content-Type-Options", "nosniff")
        for name, value in self.more_headers(status):
            self.send_header(name, value)
        self.end_headers()

    def more_headers(self, _status: HTTPStatus) -> Iterable[tuple[str, str]]:
        """Return what else stands in the head of an answer; nothing here."""
        return ()

    def log_message(self, *_: object) -> None:
        """Say nothing: what happens at the bench is told by the watch."""


def is_own_host(host: str) -> bool:
    """Tell whether a request names this machine as itself, or by an address.

    Examples
    --------
    >>> [is_own_host(host) for host in ("127.0.0.1:8017", "[::1]:8017", "localhost", "192.168.0.7", "elsewhere.test")]
    [True, True, True, True, False]
    """
    own = socket.gethostname().lower()
    try:
        name = (urlsplit(f"//{host}").hostname or "") if _NOT_IN_HOSTS.isdisjoint(host) else ""
        if name in ("localhost", own, f"{own}.local"):
            return True
        ip_address(name)
    except ValueError:
        return False
    return True


def file_below(results: Path, path: str) -> Path | None:
    """Return the file of the results that a request means, or ``None`` where it may not be given out.

    Examples
    --------
    >>> file_below(Path("results"), "/../shop.toml"), file_below(Path("results"), "/.readings/ledger.json")
    (None, None)
    """
    names = [os.fsdecode(unquote_to_bytes(name)) for name in path.split("/")[1:]]
    names = [*names[:-1], names[-1] or PAGE] if names else [PAGE]
    if not _is_ours(results, names):
        return None
    found = results.joinpath(*names)
    try:
        inside = found.resolve() == results.resolve().joinpath(*names)
        return found if inside and found.is_file() else None
    except (OSError, RuntimeError):
        return None


def _is_ours(results: Path, names: list[str]) -> bool:
    """Tell whether the tool writes a file of this name there."""
    if len(names) == 1:
        return names[0] in (PAGE, ATTENTION, BLANKS, STORE, STORE_PDF)
    if len(names) != 2 or set(names[0]) & set("/\\:\0"):
        return False
    instrument, name = names
    return name in {*TABLE_FILES, *BLANK_FILES, REPORT, OWN_PAGE, workbook_name(instrument)} and is_known(
        results, instrument
    )

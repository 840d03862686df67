"""Who may ask a served shop what, when phones may send: hosts, origins, key, sizes; and the road to the desk.

Conventions: a request is admitted before anything of it is done. It must name this machine as its host, once; come
from the page itself and from no other site; and show the key, unless it asks for the page's empty shell, or comes
from this machine and only looks. A body has a stated length and is never read before its request is admitted. There
is no CORS, so no other site's script ever reads an answer. One request a connection.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from http import HTTPStatus
from typing import Any, ClassVar
from urllib.parse import parse_qsl, unquote, urlsplit

from tapbatch.model.errors import ShopError, TapbatchError, reason_of
from tapbatch.watch.incoming import TooSlowError, let_go, pieces_of, small_body
from tapbatch.watch.key import HEADER, Gate, is_this_machine
from tapbatch.watch.phone import Answer, BadRequestError, Desk, refused
from tapbatch.watch.serving import ResultsHandler, is_own_host

SHELL = "/phone"
ROAD = "/phone/"
MOST_JSON_BYTES = 65_536

_SAME = ("same-origin", "none")


class PhoneHandler(ResultsHandler):
    """Answers phones that have the key, and gives out the results to them and to this machine."""

    desk: ClassVar[Desk]
    gate: ClassVar[Gate]
    address: ClassVar[str]

    def do_GET(self) -> None:  # noqa: N802
        """Answer a request that changes nothing."""
        self._guarded(self._get)

    def do_HEAD(self) -> None:  # noqa: N802
        """Answer with the head only."""
        self._guarded(self._get)

    def do_POST(self) -> None:  # noqa: N802
        """Answer a request that changes something."""
        self._guarded(self._post)

    def do_PUT(self) -> None:  # noqa: N802
        """Take bytes of a recording."""
        self._guarded(self._put)

    def do_DELETE(self) -> None:  # noqa: N802
        """Delete an unfinished upload."""
        self._guarded(self._delete)

    # ------------------------------------------------------------ who may

    def _guarded(self, does: Any) -> None:
        """Do what is asked if it is admitted, and answer every error in JSON."""
        try:
            if not self.path.startswith("/"):
                raise ValueError(self.path)
            parts = urlsplit(self.path)
            query = dict(parse_qsl(parts.query, keep_blank_values=True, max_num_fields=20, errors="strict"))
        except ValueError:
            self._tell(HTTPStatus.BAD_REQUEST, "the request is not understood", "load the page again")
            return
        try:
            if self._is_admitted(parts.path):
                does(parts.path, query)
        except TapbatchError as error:
            self._told(refused(error))
        except (TimeoutError, TooSlowError):
            # Whoever sends nothing is not waiting for an answer; what has arrived is kept.
            self.close_connection = True
        except ConnectionError:
            self.close_connection = True
        except OSError as error:
            self._told(refused(ShopError("the computer", reason_of(error), "look at its disk, then try again")))
        finally:
            if self.command not in ("GET", "HEAD"):
                let_go(self.connection, self.body, self.incoming)

    def _is_admitted(self, path: str) -> bool:
        if not self._is_from_here():
            self._tell(HTTPStatus.FORBIDDEN, "asked under another name", "use the link that the watch prints")
            return False
        if not self._is_from_own_page(path):
            self._tell(HTTPStatus.FORBIDDEN, "asked from another page", "use the link that the watch prints")
            return False
        if path == SHELL and self.command in ("GET", "HEAD"):
            return True
        if self.gate.lets_in(self.headers.get(HEADER, "")):
            return True
        looks = self.command in ("GET", "HEAD") and not path.startswith(ROAD)
        if looks and is_this_machine(self.client_address[0], self.address):
            return True
        if self.gate.had_too_many():
            self._tell(HTTPStatus.TOO_MANY_REQUESTS, "too many wrong keys", "wait a minute, then use the link again")
        else:
            self._tell(HTTPStatus.UNAUTHORIZED, "the key is missing or old", "scan the code at the computer again")
        return False

    def _is_from_here(self) -> bool:
        hosts = self.headers.get_all("Host") or []
        if len(hosts) != 1 or not is_own_host(hosts[0]):
            return False
        name = (urlsplit(f"//{hosts[0]}").hostname or "").partition("%")[0]
        # An address of its own, and no other: a name was checked already.
        is_figures = name.replace(".", "").isdecimal() or ":" in name
        return not is_figures or is_this_machine(name, self.address)

    def _is_from_own_page(self, path: str) -> bool:
        if any(len(self.headers.get_all(name) or []) > 1 for name in ("Origin", "Sec-Fetch-Site")):
            return False
        origin = self.headers.get("Origin")
        if origin is not None and origin != f"http://{self.headers['Host']}":
            return False
        site = self.headers.get("Sec-Fetch-Site")
        # The shell holds nothing: a link to it may stand anywhere.
        return site is None or site in _SAME or (path == SHELL and self.command in ("GET", "HEAD") and origin is None)

    # ------------------------------------------------------------ what is asked

    def _get(self, path: str, query: dict[str, str]) -> None:
        if path == SHELL:
            from tapbatch.show.browser.phone import phone_page

            self.answer(HTTPStatus.OK, phone_page(), "text/html; charset=utf-8")
        elif path.startswith(f"{ROAD}file/"):
            self.give_out(path.removeprefix(f"{ROAD}file"))
        elif path.startswith(ROAD):
            self._told(self.desk.get(_plain(path), query))
        else:
            super().do_GET()

    def _post(self, path: str, _query: dict[str, str]) -> None:
        asked = self._json() if path.startswith(ROAD) else {}
        self._told(self.desk.post(_plain(path), asked) if path.startswith(ROAD) else None)

    def _delete(self, path: str, _query: dict[str, str]) -> None:
        self._told(self.desk.delete(_plain(path)) if path.startswith(ROAD) else None)

    def _put(self, path: str, query: dict[str, str]) -> None:
        folder, _, number = _plain(path).partition("/") if path.startswith(ROAD) else ("", "", "")
        if folder != "uploads":
            self._told(None)
            return
        length, start = self._length(), query.get("from", "")
        if not (start.isascii() and start.isdecimal() and len(start) <= 15):
            raise BadRequestError("from", "is not a number of bytes", "load the page again")
        uploads = self.desk.uploads
        upload = uploads.find(number)
        if int(start) + length > upload.size:
            raise BadRequestError("upload", "is longer than was said", "send the recording again")
        with uploads.receiving(upload, int(start)) as add:
            for piece in pieces_of(self.body, self.incoming, length):
                add(piece)
        offset = uploads.offset(upload)
        if offset >= upload.size:
            self._told((HTTPStatus.OK, self.desk.finish(upload)))
        else:
            self._told((HTTPStatus.OK, {"offset": offset}))

    def _length(self) -> int:
        """Return the length that a body is said to have.

        Raises
        ------
        BadRequestError
            If it is not said once, in figures.
        """
        said = self.headers.get_all("Content-Length") or []
        if self.headers.get("Transfer-Encoding") is not None or len(set(said)) != 1:
            raise BadRequestError("request", "does not say how long it is", "load the page again")
        if not (said[0].isascii() and said[0].isdecimal() and len(said[0]) <= 15):
            raise BadRequestError("request", "does not say how long it is", "load the page again")
        return int(said[0])

    def _json(self) -> dict[str, Any]:
        length = self._length()
        if length > MOST_JSON_BYTES:
            raise BadRequestError("request", "is too long", "write less")
        if self.headers.get_content_type() != "application/json":
            raise BadRequestError("request", "is not JSON", "load the page again")
        body = small_body(self.body, self.incoming, length)
        try:
            asked = json.loads(body.decode("utf-8"), parse_constant=_no_number) if len(body) == length else None
        except (ValueError, RecursionError):
            asked = None
        if not isinstance(asked, dict):
            raise BadRequestError("request", "is not JSON", "load the page again")
        return asked

    # ------------------------------------------------------------ answers

    def _told(self, answer: Answer | None) -> None:
        if answer is None:
            self._tell(HTTPStatus.NOT_FOUND, "there is nothing of that name", "load the page again")
            return
        status, told = answer
        self.answer(status, json.dumps(told).encode(), "application/json; charset=utf-8")

    def _tell(self, status: HTTPStatus, what: str, remedy: str) -> None:
        self._told((status, {"what": what, "remedy": remedy}))

    def more_headers(self, status: HTTPStatus) -> Iterable[tuple[str, str]]:
        """Return what keeps an answer to the page itself."""
        yield "Referrer-Policy", "no-referrer"
        yield "X-Frame-Options", "DENY"
        yield "Cross-Origin-Resource-Policy", "same-origin"
        if status in (HTTPStatus.SERVICE_UNAVAILABLE, HTTPStatus.TOO_MANY_REQUESTS):
            yield "Retry-After", "2" if status == HTTPStatus.SERVICE_UNAVAILABLE else "60"
        # Not split, since this may be the answer to a request that cannot be.
        if self.path.partition("?")[0].partition("#")[0] == SHELL and status == HTTPStatus.OK:
            from tapbatch.show.browser.phone import phone_policy

            yield "Content-Security-Policy", phone_policy()


def phone_handler(desk: Desk, gate: Gate, address: str) -> type[PhoneHandler]:
    """Return a handler for phones.

    Parameters
    ----------
    desk
        What answers.
    gate
        Who may.
    address
        The address that is served.
    """
    return type("Handler", (PhoneHandler,), {"desk": desk, "gate": gate, "address": address})


def _plain(path: str) -> str:
    return unquote(path.removeprefix(ROAD))


def _no_number(name: str) -> None:
    raise ValueError(name)

"""The command ``watch``: what it is asked, put together with clock, hints, processes and server."""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path

from tapbatch.model.errors import ShopError
from tapbatch.shop.folder import Shop, open_shop
from tapbatch.show.terminal.link import print_page_link, print_phone_link
from tapbatch.show.terminal.readings import progress
from tapbatch.watch import serving
from tapbatch.watch.address import check_address, own_address
from tapbatch.watch.connections import CONNECTIONS
from tapbatch.watch.drawing import Beside
from tapbatch.watch.feed import Feed, ToPhone
from tapbatch.watch.hints import FolderHints, NoHints
from tapbatch.watch.key import Gate, kept_key, new_key
from tapbatch.watch.measuring import Beside as MeasureBeside
from tapbatch.watch.saved import ShopNow
from tapbatch.watch.telling import AtTerminal
from tapbatch.watch.watching import LOOK_EVERY_S, Teller, Watch

_FOR_OTHERS = 8
"""How many connections one phone leaves to others."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Served:
    """How the page is served; ``None`` stands for the default.

    ``phone`` lets phones in that have the key, and ``keep_key`` keeps it from one start to the next.
    """

    address: str | None = None
    port: int | None = None
    connections: int | None = None
    phone: bool = False
    keep_key: bool = False


def watch_shop(
    root: Path, served: Served | None, *, poll_s: float | None, full: bool, say: Callable[[str], None]
) -> None:
    """Watch a shop until interrupted.

    Parameters
    ----------
    root
        The shop folder.
    served
        How its page is served; ``None`` if it is not.
    poll_s
        How often to look, in seconds, without hints from the system; default with hints.
    full
        Whether to tell all that is known of each instrument.
    say
        Told anything in one line.

    Raises
    ------
    TapbatchError
        If the shop cannot be opened or the page cannot be served.
    """
    if served is not None:
        served = _checked(served)
    shop = open_shop(root)
    live = serving.Live(lambda: bench.results_dir or shop.results_dir)
    hints = NoHints() if poll_s else FolderHints((shop.recordings_dir, shop.inbox_dir), say)
    feed = Feed()
    at_terminal = AtTerminal(live, full=full)
    teller: Teller = ToPhone(at_terminal, feed) if served is not None and served.phone else at_terminal
    measurer = MeasureBeside(hints.rouse, time.monotonic)
    measurer.warm_up()
    bench = Watch(
        opened=lambda: open_shop(root),
        root=root,
        hints=hints,
        clock=time.monotonic,
        teller=teller,
        look_every_s=poll_s or LOOK_EVERY_S,
        progress=progress,
        drawer=Beside(hints.rouse),
        measurer=measurer,
        awaited=feed.sent.__contains__,
    )
    # Where folders are made quickly one below the other, watchdog hears of the last ones twice, which does no harm.
    warnings.filterwarnings("ignore", "Callback with id", RuntimeWarning, r"watchdog\.")
    with ExitStack() as closing:
        if served is not None and served.phone:
            closing.callback(_serve_phones(root, shop, served, live, feed, hints.rouse, say).close)
            closing.callback(feed.close)
        elif served is not None:
            page = serving.Serving(live, *_where(served))
            closing.callback(page.close)
            print_page_link(page.url)
        bench.go_on()


def _checked(served: Served) -> Served:
    if served.keep_key and not served.phone:
        raise ShopError("--keep-key", "there is no key without --phone", "add --phone, or leave it out")
    if served.address is not None:
        check_address(served.address, phone=served.phone)
        return served
    return replace(served, address=own_address() if served.phone else serving.HERE)


def _where(served: Served) -> tuple[str, int, int]:
    port = serving.PORT if served.port is None else served.port
    return served.address or serving.HERE, port, served.connections or CONNECTIONS


def _serve_phones(
    root: Path,
    shop: Shop,
    served: Served,
    live: serving.Live,
    feed: Feed,
    rouse: Callable[[], None],
    say: Callable[[str], None],
) -> serving.Serving:
    from tapbatch.watch.phone import Desk
    from tapbatch.watch.phone_handler import SHELL, phone_handler

    gate = Gate(kept_key(shop.results_dir) if served.keep_key else new_key(), time.monotonic)
    desk = Desk(ShopNow(root), feed, rouse=rouse, note=say)
    desk.take_up()
    address, port, connections = _where(served)
    page = serving.Serving(
        live,
        address,
        port,
        connections,
        handler=phone_handler(desk, gate, address),
        most_each=max(connections - _FOR_OTHERS, (connections + 1) // 2),
    )
    print_phone_link(f"{page.url.rstrip('/')}{SHELL}#{gate.key}")
    return page

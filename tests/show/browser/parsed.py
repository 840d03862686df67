"""A page as a tree, by the standard library's parser: what is in it, and what a browser would make of it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from html.parser import HTMLParser

from tapbatch.model.reading import Attention
from tapbatch.show.browser.article import Card
from tapbatch.show.browser.page import index_bytes, own_bytes

VOID = {"meta", "link", "br", "input", "img"}


def pages_bytes(cards: Sequence[Card], attention: Sequence[Attention]) -> list[bytes]:
    """The list of all instruments, and the page of each."""
    return [index_bytes(cards, attention), *(own_bytes(card, card.instrument) for card in cards)]


@dataclass
class Element:
    name: str
    attributes: dict[str, str | None]
    children: list[Element | str] = field(default_factory=list)

    def all(self, name: str = "", **wanted: str) -> Iterator[Element]:
        """Every element below of a name and with attributes (``class_`` is one of the classes)."""
        for child in self.children:
            if isinstance(child, Element):
                if name in ("", child.name) and all(child.has(key, value) for key, value in wanted.items()):
                    yield child
                yield from child.all(name, **wanted)

    def has(self, key: str, value: str) -> bool:
        told = self.attributes.get(key.rstrip("_").replace("_", "-"))
        return told is not None and (value in told.split() if key == "class_" else value == told)

    def one(self, name: str = "", **wanted: str) -> Element:
        found = list(self.all(name, **wanted))
        assert len(found) == 1, (name, wanted, len(found))
        return found[0]

    @property
    def text(self) -> str:
        return " ".join("".join(self._texts()).split())

    def _texts(self) -> Iterator[str]:
        for child in self.children:
            yield from (child,) if isinstance(child, str) else child._texts()


class _Parser(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.root = Element("", {})
        self.open = [self.root]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        element = Element(tag, dict(attrs))
        assert len(element.attributes) == len(attrs), ("an attribute twice", tag, attrs)
        self.open[-1].children.append(element)
        if tag not in VOID:
            self.open.append(element)

    def handle_endtag(self, tag: str) -> None:
        assert self.open[-1].name == tag, ("closed out of order", tag, self.open[-1].name)
        self.open.pop()

    def handle_data(self, data: str) -> None:
        self.open[-1].children.append(data)


def parse(page: bytes | str) -> Element:
    """Return the tree of a page; an element that is not closed in its order is an error."""
    parser = _Parser()
    parser.feed(page.decode() if isinstance(page, bytes) else page)
    parser.close()
    assert parser.open == [parser.root], [element.name for element in parser.open]
    return parser.root


def pages_of(cards: Sequence[Card], attention: Sequence[Attention]) -> Element:
    """The list of all instruments and the page of each, as one tree."""
    return Element("", {}, [parse(page) for page in pages_bytes(cards, attention)])

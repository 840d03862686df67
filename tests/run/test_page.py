"""The pages beside the tables: made when something changed, left alone when nothing did."""

from __future__ import annotations

from pathlib import Path

import pytest

from tapbatch.results.readings import FOLDER
from tapbatch.run import histories
from tapbatch.run import page as front_page
from tapbatch.show.browser import article
from tapbatch.show.browser.article import Card, row_id
from tests.shops import LYRE, bytes_below, tapbatch, taps, write_wav
from tests.show.browser.parsed import Element, parse

pytestmark = pytest.mark.usefixtures("drawn")


def page(shop: Path) -> Element:
    return parse((shop / "results" / "index.html").read_bytes())


def own_page(shop: Path, instrument: str) -> Element:
    return parse((shop / "results" / instrument / "page.html").read_bytes())


def listed(shop: Path) -> list[str | None]:
    return [each.attributes["id"] for each in page(shop).one("table", id="all").one("tbody").all("tr")]


def test_it_shows_every_instrument_in_the_order_of_their_names(shop: Path) -> None:
    assert listed(shop) == [row_id("lyre-2"), row_id("na")]
    assert [own_page(shop, name).one("h2").text for name in ("lyre-2", "na")] == ["lyre-2", "NA"]


def test_its_links_lead_to_files_that_are_there(shop: Path) -> None:
    results = shop / "results"
    for folder, shown in ((results, page(shop)), (results / "lyre-2", own_page(shop, "lyre-2"))):
        for link in shown.all("a"):
            href = link.attributes["href"] or ""
            assert href.startswith("#") or (folder / href).is_file(), href


def test_nothing_new_reads_no_card(shop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Card, "from_bytes", lambda _: pytest.fail("a card was read"))
    monkeypatch.setattr(front_page, "put_file", lambda *_: pytest.fail("the page was put in place"))
    assert tapbatch("run", shop).status == 0


def test_one_new_recording_draws_its_instrument_alone(shop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    noted: list[str] = []
    known = article.card_of

    def noting(history, settings, *more):  # type: ignore[no-untyped-def]
        noted.append(history.instrument)
        return known(history, settings, *more)

    monkeypatch.setattr(article, "card_of", noting)
    before = {
        each.attributes["id"]: each.attributes["data-made"]
        for each in page(shop).one("table", id="all").one("tbody").all("tr")
    }
    write_wav(shop / "recordings" / "lyre-2_02-thinned_top_1.wav", taps(98, count=2))
    tapbatch("run", shop)
    after = {
        each.attributes["id"]: each.attributes["data-made"]
        for each in page(shop).one("table", id="all").one("tbody").all("tr")
    }
    assert noted == ["lyre-2"]
    assert {name for name in after if after[name] != before[name]} == {row_id("lyre-2")}


def test_the_same_recordings_give_the_same_page(shop: Path, tmp_path: Path) -> None:
    tapbatch("run", shop, "--results", tmp_path / "again")
    first, again = bytes_below(shop / "results"), bytes_below(tmp_path / "again")
    assert all(again[name] == first[name] for name in ("index.html", "lyre-2/page.html"))


@pytest.mark.parametrize("harm", ["page", "card", "cards"])
def test_what_was_deleted_or_edited_is_made_again(shop: Path, harm: str) -> None:
    whole = (shop / "results" / "index.html").read_bytes()
    cards = sorted((shop / "results" / FOLDER).glob("card-*.json"))
    assert len(cards) == 2
    kept = [card.read_bytes() for card in cards]
    if harm == "page":
        (shop / "results" / "index.html").write_text("mine")
    for card in cards[: {"page": 0, "card": 1, "cards": 2}[harm]]:
        card.write_text("{}")
    assert tapbatch("run", shop).status == 0
    assert (shop / "results" / "index.html").read_bytes() == whole
    assert [card.read_bytes() for card in cards] == kept


def test_what_needs_attention_is_on_it_until_it_is_mended(shop: Path) -> None:
    wrong = write_wav(shop / "recordings" / "lyre-2_01-joined_tpo_2.wav", taps(99, count=2))
    assert tapbatch("run", shop).status == 1
    assert wrong.name in page(shop).one("section", id="attention").text
    wrong.unlink()
    tapbatch("run", shop)
    assert not list(page(shop).all("section", id="attention"))


def test_an_instrument_that_cannot_be_worked_out_keeps_its_place(shop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_wav(shop / "recordings" / "lyre-2_02-thinned_top_1.wav", taps(98, count=2))
    known = histories.gather_history

    def failing(instrument, *rest):  # type: ignore[no-untyped-def]
        if instrument == "lyre-2":
            raise ValueError("odd")
        return known(instrument, *rest)

    monkeypatch.setattr(histories, "gather_history", failing)
    assert tapbatch("run", shop).status == 1
    assert listed(shop) == [row_id("lyre-2"), row_id("na")]
    assert "lyre-2" in page(shop).one("section", id="attention").text


def test_settings_that_are_not_understood_leave_an_instrument_in_its_place(shop: Path) -> None:
    (shop / "instruments").mkdir(exist_ok=True)
    (shop / "instruments" / "na.toml").write_text("concert_pitch_hz = 'high'\n")
    assert tapbatch("run", shop).status == 1
    assert listed(shop) == [row_id("lyre-2"), row_id("na")]


def test_an_instrument_that_was_forgotten_leaves_it(shop: Path) -> None:
    (shop / "recordings" / LYRE).unlink()
    tapbatch("forget", LYRE, shop)
    tapbatch("run", shop)
    assert listed(shop) == [row_id("na")]
    assert len(list((shop / "results" / FOLDER).glob("card-*.json"))) == 1

"""No instrument takes the place of the tool's own files."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapbatch.model.errors import NamingError
from tapbatch.model.names import OWN_NAMES, parse_name


@pytest.mark.parametrize(
    "name", [*sorted(OWN_NAMES), " Index.HTML ", ".readings", " .readings", ".x", ".Attention.csv"]
)
def test_a_name_of_the_tools_own_is_refused(name: str) -> None:
    for path in (f"{name}_01-a_top.wav", f"{name}/01-a/top/tap.wav"):
        with pytest.raises(NamingError):
            parse_name(path)


@given(st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=12))
def test_no_name_is_hidden_or_reserved(name: str) -> None:
    try:
        instrument = parse_name(f"{name}_01-a_top.wav").instrument
    except NamingError:
        return
    assert not instrument.startswith(".")
    assert instrument not in OWN_NAMES

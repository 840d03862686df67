"""Convert notices to and from the form in kept readings: the kind, and the fields that are set.

Readings of version 0.1 have sentences instead; :mod:`tapbatch.results.notices_of_0_1` reads those. A notice that is
not understood becomes one of kind ``other``, so no reading is lost because of a notice.
"""

from __future__ import annotations

from dataclasses import fields
from typing import Any

from tapbatch.model.notice import KINDS, Notice
from tapbatch.results.notices_of_0_1 import notice_of_0_1


def notice_to_plain(notice: Notice) -> dict[str, Any]:
    """Return a notice as a dict for JSON, with the kind and the fields that differ from their defaults.

    Examples
    --------
    >>> notice_to_plain(Notice("channel", number=1, count=2))
    {'kind': 'channel', 'number': 1, 'count': 2}
    """
    told = ((field, getattr(notice, field.name)) for field in fields(notice))
    return {field.name: value for field, value in told if value != field.default}


def notice_from_plain(plain: object) -> Notice:
    """Return the notice for a dict from :func:`notice_to_plain`, or for a sentence of version 0.1.

    Examples
    --------
    >>> notice_from_plain({"kind": "lossy codec", "name": "aac"}) == notice_from_plain("lossy codec (aac)")
    True
    >>> notice_from_plain({"kind": "came on tape"}).text
    'came on tape'
    """
    if isinstance(plain, str):
        return notice_of_0_1(plain)
    if not isinstance(plain, dict) or plain.get("kind") not in KINDS:
        return Notice("other", text=str(plain.get("kind", "") if isinstance(plain, dict) else plain))
    known = {field.name for field in fields(Notice)}
    # JSON has no tuples; fields of later versions are ignored.
    told: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in plain.items() if k in known}
    return Notice(**told)

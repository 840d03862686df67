"""Notices as a kept reading holds them: the kind, and the fields that are set.

Readings kept by version 0.1 hold sentences instead; :mod:`tapbatch.results.notices_of_0_1` reads those. A notice that
is not understood, whoever wrote it, becomes one of kind ``other``, so no reading is lost because of a notice.
"""

from __future__ import annotations

from dataclasses import fields
from typing import Any

from tapbatch.model.notice import KINDS, Notice
from tapbatch.results.notices_of_0_1 import notice_of_0_1


def notice_to_plain(notice: Notice) -> dict[str, Any]:
    """Return a notice as JSON can hold it.

    Examples
    --------
    >>> notice_to_plain(Notice("channel", number=1, count=2))
    {'kind': 'channel', 'number': 1, 'count': 2}
    """
    told = ((field, getattr(notice, field.name)) for field in fields(notice))
    return {field.name: value for field, value in told if value != field.default}


def notice_from_plain(plain: object) -> Notice:
    """Return the notice that :func:`notice_to_plain` gave, or that a sentence of version 0.1 stands for.

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
    # JSON knows no tuples; a field of a later version is passed over.
    told: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in plain.items() if k in known}
    return Notice(**told)

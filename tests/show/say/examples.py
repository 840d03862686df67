"""One notice of each kind; docs/words.md shows the words of those that are about a recording."""

from __future__ import annotations

from tapbatch.model.notice import Notice

NOTICES = {
    notice.kind: notice
    for notice in (
        Notice("missing"),
        Notice("older method", method="14"),
        Notice("cut", there_s=3.5, promised_s=12.0),
        Notice("damaged", count=3),
        Notice("channel", number=1, count=2),
        Notice("in line", number=1, apart_cm=10.0),
        Notice("lossy codec", name="aac"),
        Notice("low sample rate", rate_hz=8000),
        Notice("non-finite samples", count=12),
        Notice("silence"),
        Notice("clipped"),
        Notice("no tap"),
        Notice("begins ringing"),
        Notice("crowded", there_s=5400.0),
        Notice("too long", there_s=41400.0),
        Notice("automatic gain"),
        Notice("mostly room"),
        Notice("not asked"),
        Notice("some room"),
        Notice("set-ups", counts=(3, 3, 3)),
        Notice("other", text="came on tape"),
        Notice("counted once", path="a.wav", other_path="b.wav"),
        Notice("renamed", path="a.wav", other_path="b.wav"),
        Notice("ordered by name", part="top", names=("alpha", "beta")),
        Notice("several states", part="body", stage="05-v", names=("", "strung")),
        Notice("no such string", path="a.wav", at_s=1.04, freq_hz=246.04),
        Notice("target waits", name="air", other_name="main", stage="02-b"),
        Notice("after frozen", path="a.wav", day="2026-11-30"),
        Notice("not frozen", names=("a", "b")),
        Notice("reference undated", names=("a", "b")),
        Notice("workbook full", name="drift", count=2, total_count=3),
        Notice("new method", method="15", method_before="14", count=3, kept_count=1),
        Notice("no recordings", path="/shop/recordings"),
        Notice("not replaced", path="/shop/modes.csv", other_path="modes (new).csv", text="in use"),
        Notice("placed", path="lyre-2/01 joined/take 1.wav", other_path="take 1.wav"),
        Notice("set aside", path="ledger.json", other_path="refused-ledger.json", text="is not JSON"),
    )
}

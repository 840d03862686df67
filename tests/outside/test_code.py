"""The code at the terminal against a reader of codes that this project did not write (zxing-cpp)."""

from __future__ import annotations

import numpy as np
import pytest
import zxingcpp

from tapbatch.show.terminal.link import code_lines
from tapbatch.watch.key import new_key

HALVES = {"█": (0, 0), "▀": (0, 1), "▄": (1, 0), " ": (1, 1)}
"""Whether the upper and the lower half of a block are dark."""


@pytest.mark.parametrize("host", ["192.168.0.7:8017", "10.0.0.100:60000", "[fe80::1234:5678:9abc:def0]:8017"])
@pytest.mark.parametrize("pixels", [3, 8])
def test_a_camera_reads_the_link(host: str, pixels: int) -> None:
    link = f"http://{host}/phone#{new_key()}"
    dark = [[HALVES[block][half] for block in line] for line in code_lines(link) for half in (0, 1)]
    seen = np.kron(1 - np.array(dark, dtype=np.uint8), np.ones((pixels, pixels), dtype=np.uint8)) * np.uint8(255)
    (read,) = zxingcpp.read_barcodes(seen)
    assert read.text == link

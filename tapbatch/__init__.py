"""Offline batch processor for recorded taps of instruments in the making.

For a notebook or a script of one's own; each name is fetched when it is first used:

>>> import tapbatch
>>> sorted(set(tapbatch.__all__) - {"TapbatchError", "__version__"})
['load_readings', 'load_table', 'measure_file', 'plot_drift', 'simulate_recording']
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tapbatch.api import load_readings, load_table, measure_file, simulate_recording
    from tapbatch.model.errors import TapbatchError
    from tapbatch.show.notebook import plot_drift

__version__ = "0.1.0"

__all__ = [
    "TapbatchError",
    "__version__",
    "load_readings",
    "load_table",
    "measure_file",
    "plot_drift",
    "simulate_recording",
]

_FROM = {"TapbatchError": "tapbatch.model.errors", "plot_drift": "tapbatch.show.notebook"}


def __getattr__(name: str) -> object:
    """Fetch a public name from where it is at home (PEP 562), so that ``import tapbatch`` stays quick."""
    if name not in __all__:
        msg = f"module 'tapbatch' has no attribute {name!r}"
        raise AttributeError(msg)
    from importlib import import_module

    return getattr(import_module(_FROM.get(name, "tapbatch.api")), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})

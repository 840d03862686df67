"""Charts for a notebook of one's own, drawn on axes that one may go on with.

Conventions: matplotlib's objects, never pyplot's state. A dot is a reading and a bar its 95 % interval, as in the
report; a hollow dot cannot tell. Beside each dot stands what the report writes beside its line: the cents, ``=``
where the mode held, ``?`` where the readings cannot tell.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tapbatch.show.view.stages import sign_text

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


def plot_drift(drift: pd.DataFrame, mode: str, *, part: str | None = None, axes: Axes | None = None) -> Axes:
    """Draw how far one mode moved from each stage to the next.

    Parameters
    ----------
    drift
        The table ``drift`` of one instrument, as :func:`tapbatch.load_table` gives it.
    mode
        The mode's label or identity, such as ``air`` or ``r1``.
    part
        The part it belongs to, where several have a mode of that name.
    axes
        Where to draw; a figure of its own where it is left out.

    Returns
    -------
    matplotlib.axes.Axes
        The figure is its ``figure``. Stages to which no change is known (``new``, ``gone``) are left out.

    Raises
    ------
    ValueError
        Where no change of such a mode is known, or several parts or instruments have one.

    Examples
    --------
    >>> import pandas as pd
    >>> drift = pd.DataFrame({"part": ["top"], "mode": ["r1"], "to_stage": ["02-thinned"],
    ...     "freq_change_cents": [-42.0], "cents_low": [-44.0], "cents_high": [-40.5], "verdict": ["down"]})
    >>> plot_drift(drift, "r1").get_ylabel()
    'change since the stage before (cents)'
    """
    known = drift[(drift["mode"] == mode) & drift["freq_change_cents"].notna()]
    if part is not None:
        known = known[known["part"] == part]
    owners = [name for name in ("instrument", "part") if name in known]
    several = known[owners].drop_duplicates()
    if len(several) != 1:
        listed = ", ".join("/".join(row) for row in several.itertuples(index=False)) or "none"
        msg = f"expected a change of {mode!r} in one part of one instrument, found {listed}"
        raise ValueError(msg)
    if axes is None:
        from matplotlib.figure import Figure

        axes = Figure(figsize=(8, 4), layout="constrained").add_subplot()
    axes.axhline(0, color="0.7", linewidth=0.8)
    for place, (_, row) in enumerate(known.iterrows()):
        change, low, high = (float(row[name]) for name in ("freq_change_cents", "cents_low", "cents_high"))
        ink, inside = ("0.6", "white") if row["verdict"] == "unclear" else ("black", "black")
        bar = [[change - low], [high - change]]
        axes.errorbar([place], [change], bar, fmt="o", color=ink, markerfacecolor=inside, capsize=4)
        sign = sign_text(row["verdict"], change)
        axes.annotate(sign, (place, change), xytext=(7, 0), textcoords="offset points", va="center")
    # Names are data: a dollar sign in them is no formula.
    axes.set_xticks(range(len(known)), list(known["to_stage"]), rotation=30, ha="right", parse_math=False)
    axes.set_ylabel("change since the stage before (cents)")
    axes.set_title(", ".join((*several.iloc[0], mode)), parse_math=False)
    return axes

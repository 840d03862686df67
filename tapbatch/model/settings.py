"""Settings of a shop and of one instrument, as values: what may be set, with its range and default.

Conventions: frequencies in hertz, lengths in millimetres, unit weights in grams per metre. Every model is frozen and
refuses unknown keys, so that a typing error is reported and not ignored. :mod:`tapbatch.shop.settings_files` reads
the files and says where in them a value is not understood.
"""

from __future__ import annotations

import re
from datetime import date, datetime
from typing import Annotated, ClassVar, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from tapbatch.model.interrupts import interrupts_held
from tapbatch.model.names import AIMS, identity
from tapbatch.model.pitch import Spelling
from tapbatch.model.reading import Aim, BandSettings, Kind

ConcertPitch = Annotated[float, Field(ge=380, le=470)]


def _day(value: object) -> date:
    """Return a day that is written as year, month and day, in quotes or as a date of TOML."""
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    try:
        if isinstance(value, str) and re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", value.strip()):
            return date.fromisoformat(value.strip())
    except ValueError:
        pass
    # Not a ValueError: the message for the key is the reader's, which shows what was found.
    msg = "expected a day like 2026-11-30"
    raise AssertionError(msg)


Day = Annotated[date, BeforeValidator(_day)]


# Plain strings at room temperature. Handbook values; bronze and gut are from memory (gut varies by a tenth).
DENSITIES_KG_M3 = {
    "steel": 7850.0,
    "brass": 8580.0,
    "red brass": 8750.0,
    "bronze": 8860.0,
    "nylon": 1150.0,
    "gut": 1500.0,
}


class _Frozen(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True, defer_build=True)


class StageSetting(_Frozen):
    """One ``[[stage]]``: its place in the order of stages, and the settings for all its recordings."""

    name: str = Field(min_length=1)
    part: str = ""
    state: str = ""
    concert_pitch_hz: ConcertPitch | None = None


class ModeSetting(_Frozen):
    """One ``[[mode]]``: a label that the builder gives to the mode near a frequency."""

    label: str = Field(min_length=1)
    near_hz: float = Field(gt=0, le=12000)
    part: str = "body"
    kind: Literal["", "air", "plate", "string"] = ""


class TargetSetting(_Frozen):
    """One ``[[target]]``: the frequency wanted for a labelled mode, given in exactly one way."""

    mode: str = Field(min_length=1)
    note: str | None = None
    hz: float | None = Field(default=None, gt=0, le=12000)
    nearest: bool | None = None
    like: str | None = None
    stiff_as: str | None = None
    cents_from: str | None = None
    cents: float | None = None
    tolerance_cents: float = Field(default=3.0, gt=0, le=50)

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        ways = [
            w
            for w in ("note", "hz", "nearest", "like", "stiff_as", "cents_from")
            if getattr(self, w) not in (None, False)
        ]
        if len(ways) != 1:
            msg = "expected one of note, hz, nearest = true, like, stiff_as, cents_from"
            raise ValueError(msg)
        if (self.cents is not None) != (self.cents_from is not None):
            msg = "cents and cents_from go together"
            raise ValueError(msg)
        return self


class StringSetting(_Frozen):
    """One open string or double course and its note; weight, or diameter and material, serve only for its tension.

    ``scale_mm`` is its sounding length, if it differs from that of the instrument.
    """

    note: str
    unit_weight_g_m: float | None = Field(default=None, gt=0)
    diameter_mm: float | None = Field(default=None, gt=0)
    material: str = ""
    scale_mm: float | None = Field(default=None, gt=0)
    double: bool = False


class OpeningSetting(_Frozen):
    """One ``[[opening]]`` of a box, or ``count`` alike: the size it has where the notes of a stage say nothing else.

    A round one has its diameter as its length, and no width.
    """

    shape: Literal["round", "oval", "slot"]
    length_mm: float = Field(gt=0, le=2000)
    width_mm: float | None = Field(default=None, gt=0, le=2000)
    edge_mm: float = Field(default=0.0, ge=0, le=200)
    count: int = Field(default=1, ge=1, le=50)

    @model_validator(mode="after")
    def _has_a_width(self) -> Self:
        if (self.shape == "round") != (self.width_mm is None):
            msg = "expected length_mm alone for a round opening, length_mm and width_mm for an oval or a slot"
            raise ValueError(msg)
        return self


class InstrumentSettings(_Frozen):
    """All settings of one instrument; the settings of the shop are the defaults of its instruments.

    Defaults: A4 = 440 Hz (ISO 16), 50 to 1500 Hz (where bodies and plates of hand-held instruments ring), mains of
    50 Hz, 3 cents as the width within which a mode counts as steady (common practice of the trade), and A4
    paper (ISO 216).
    """

    concert_pitch_hz: ConcertPitch = 440.0
    spelling: Spelling = "sharp"
    band_hz: tuple[float, float] = (50.0, 1500.0)
    mains_hz: Literal[50, 60] = 50
    steady_cents: float = Field(default=3.0, gt=0, le=50)
    paper: Literal["A4", "Letter"] = "A4"
    strings_off_cents: float = Field(default=5.0, gt=0, le=50)
    pages: Literal["short", "full"] = "short"
    family: str = ""
    species: str = ""
    blank: str | dict[str, str] = ""
    reference: bool = False
    frozen: Day | None = None
    playing_pitch_hz: ConcertPitch | None = None
    scale_mm: float | None = Field(default=None, gt=0)
    strings: tuple[StringSetting, ...] = ()
    stage: tuple[StageSetting, ...] = ()
    box_volume_l: float | None = Field(default=None, gt=0, le=1000)
    opening: tuple[OpeningSetting, ...] = ()
    mode: tuple[ModeSetting, ...] = ()
    target: tuple[TargetSetting, ...] = ()

    @model_validator(mode="after")
    def _band_is_a_band(self) -> Self:
        low, high = self.band_hz
        if not 20 <= low < high <= 12000:
            msg = "expected two frequencies, low then high, between 20 and 12000 Hz"
            raise ValueError(msg)
        return self

    def aim_of(self, target: TargetSetting) -> Aim | None:
        """Return which mode of a blank a target is for; ``None`` if it is for a labelled mode.

        Examples
        --------
        >>> twist = TargetSetting(mode="Twist", note="A1")
        >>> InstrumentSettings().aim_of(twist)
        'twist'
        >>> InstrumentSettings(mode=(ModeSetting(label="Twist", near_hz=50.0),)).aim_of(twist) is None
        True
        """
        if any(mode.label == target.mode for mode in self.mode):
            return None
        return next((aim for aim in AIMS if identity(target.mode) == aim), None)

    def of_measuring(self, kind: Kind) -> BandSettings:
        """Return the settings on which a reading depends."""
        return BandSettings(
            band_low_hz=self.band_hz[0], band_high_hz=self.band_hz[1], mains_hz=float(self.mains_hz), kind=kind
        )


class ShopSettings(_Frozen):
    """All settings that ``shop.toml`` may contain.

    A phone may send files of up to ``phone_file_mb`` megabytes (10^6 bytes), and ``phone_day_mb`` a day.
    """

    OF_SHOP_ONLY: ClassVar = frozenset({"recordings", "results", "inbox", "phone_file_mb", "phone_day_mb"})

    concert_pitch_hz: ConcertPitch = 440.0
    spelling: Spelling = "sharp"
    band_hz: tuple[float, float] = (50.0, 1500.0)
    mains_hz: Literal[50, 60] = 50
    steady_cents: float = Field(default=3.0, gt=0, le=50)
    paper: Literal["A4", "Letter"] = "A4"
    recordings: str = "recordings"
    results: str = "results"
    inbox: str = "inbox"
    phone_file_mb: float = Field(default=200.0, gt=0, le=100_000)
    phone_day_mb: float = Field(default=2000.0, gt=0, le=10_000_000)


with interrupts_held():
    for _model in (
        StageSetting,
        ModeSetting,
        TargetSetting,
        StringSetting,
        OpeningSetting,
        InstrumentSettings,
        ShopSettings,
    ):
        _model.model_rebuild()

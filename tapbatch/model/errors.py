"""The errors of the tool, worded so that the person at the bench can mend the cause.

Every error has three parts: where it is, what was found, and what to do. ``str(error)`` is one line.
No module raises a bare ``Exception`` or lets a traceback reach the terminal.
"""

from __future__ import annotations

UNFORESEEN = (
    ArithmeticError,
    AssertionError,
    AttributeError,
    LookupError,
    MemoryError,
    OSError,
    RuntimeError,
    TypeError,
    ValueError,
)
"""Errors that a fault in the tool itself raises; caught for one recording or instrument, so that the rest goes on."""


class TapbatchError(Exception):
    """Root of all errors that the tool expects: ``where``, ``what`` and ``remedy``, each a short phrase.

    Examples
    --------
    >>> print(SoundError("cittern-07_top.wav", "the file is empty", "copy it again from the phone"))
    cittern-07_top.wav: the file is empty; copy it again from the phone
    """

    def __init__(self, where: str, what: str, remedy: str) -> None:
        self.where = where
        self.what = what
        self.remedy = remedy
        super().__init__(where, what, remedy)

    def __str__(self) -> str:
        text = f"{self.where}: {self.what}; {self.remedy}"
        return " ".join(text.split())


class SoundError(TapbatchError):
    """A file that is not sound, or is incomplete."""


def reason_of(error: BaseException) -> str:
    """Return what went wrong with a file, in a few words.

    Parameters
    ----------
    error
        What was raised where the file was opened, read or written.

    Examples
    --------
    >>> reason_of(PermissionError(13, "Permission denied")), reason_of(TimeoutError())
    ('permission denied', 'timeouterror')
    >>> reason_of(SoundError("a.wav", "the file is empty", "record again"))
    'the file is empty'
    """
    if isinstance(error, SoundError):
        return error.what
    return (getattr(error, "strerror", None) or type(error).__name__).lower()


def not_measured(name: str, error: BaseException) -> SoundError:
    """Return the error for a recording whose measuring met a fault in the tool itself.

    Parameters
    ----------
    name
        The name of the file.
    error
        The fault.

    Examples
    --------
    >>> print(not_measured("tap.wav", ValueError("no peak")))
    tap.wav: it cannot be measured (ValueError: no peak); keep the file and report it; the others are measured
    """
    what = f"it cannot be measured ({type(error).__name__}: {error})"
    return SoundError(name, what, "keep the file and report it; the others are measured")


class NamingError(TapbatchError):
    """A file whose name or folders do not give its instrument and stage."""


class SettingsError(TapbatchError):
    """A setting or bench note that is not understood: file, line or key, what was found, what was expected."""


class ShopError(TapbatchError):
    """A shop folder that does not exist, or cannot be read or written."""

"""Ctrl-C is held back while a validator is built, and is not lost."""

import signal
import subprocess
import sys
import threading
from pathlib import Path
from typing import Annotated

import pytest
from pydantic import AfterValidator, BaseModel

from tapbatch.model.interrupts import interrupts_held
from tapbatch.results.sealed import RefusedError, load, seal


def test_ctrl_c_is_raised_when_the_work_is_done():
    done = []

    @interrupts_held()
    def work() -> None:
        signal.raise_signal(signal.SIGINT)
        signal.raise_signal(signal.SIGINT)
        done.append(1)

    before = signal.getsignal(signal.SIGINT)
    with pytest.raises(KeyboardInterrupt):
        work()
    assert done == [1]
    assert signal.getsignal(signal.SIGINT) is before


def test_ctrl_c_comes_before_an_error_of_the_work():
    @interrupts_held()
    def work() -> None:
        signal.raise_signal(signal.SIGINT)
        raise ValueError

    with pytest.raises(KeyboardInterrupt):
        work()


def test_without_ctrl_c_nothing_is_raised():
    with interrupts_held():
        pass
    with pytest.raises(ValueError, match="the work"), interrupts_held():
        raise ValueError("the work")


def test_in_another_thread_the_handler_stays():
    seen = []

    def work() -> None:
        with interrupts_held():
            seen.append(signal.getsignal(signal.SIGINT))

    before = signal.getsignal(signal.SIGINT)
    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert seen == [before]


def test_a_process_that_ignores_ctrl_c_goes_on_ignoring_it():
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        with interrupts_held():
            signal.raise_signal(signal.SIGINT)
        assert signal.getsignal(signal.SIGINT) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGINT, before)


def test_a_kept_file_is_validated_whole_before_ctrl_c_is_raised(tmp_path: Path):
    checked = []

    def check(value: int) -> int:
        if value == 1:
            signal.raise_signal(signal.SIGINT)
        checked.append(value)
        return value

    class Kept(BaseModel):
        numbers: list[Annotated[int, AfterValidator(check)]]

    path = tmp_path / "kept.json"
    path.write_bytes(seal('{"numbers": [1, 2, 3]}'))
    with pytest.raises(KeyboardInterrupt):
        load(path, Kept)
    assert checked == [1, 2, 3]


def test_a_bad_kept_file_is_still_refused(tmp_path: Path):
    class Kept(BaseModel):
        number: int

    path = tmp_path / "kept.json"
    path.write_bytes(seal('{"number": "x"}'))
    with pytest.raises(RefusedError):
        load(path, Kept)


def test_ctrl_c_while_an_object_is_deleted_ends_the_program():
    program = """
import signal, sys, threading
from tapbatch.model.interrupts import heed_lost_interrupts

class Odd:
    def __del__(self):
        signal.raise_signal(signal.SIGINT)

class Wrong:
    def __del__(self):
        raise ValueError("is said")

heed_lost_interrupts()
try:
    Wrong()
    Odd()
    threading.Event().wait(60)
except KeyboardInterrupt:
    sys.exit(130)
"""
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == 130
    # What is no Ctrl-C is reported as before.
    assert "is said" in done.stderr
    assert "KeyboardInterrupt" not in done.stderr

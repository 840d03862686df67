"""The key: random, compared, kept for its owner alone; and which address is this machine's own."""

from __future__ import annotations

import base64
import os
from pathlib import Path

import pytest

from tapbatch.model.errors import ShopError
from tapbatch.watch import address
from tapbatch.watch.address import check_address, own_address
from tapbatch.watch.key import FILE, Gate, is_this_machine, kept_key, new_key
from tests.refusals import refused


def test_a_key_is_128_random_bits() -> None:
    keys = [new_key() for _ in range(200)]
    raw = [base64.urlsafe_b64decode(f"{key}==") for key in keys]
    assert {len(each) for each in raw} == {16}
    assert len(set(raw)) == 200
    # Of 25,600 fair bits, 500 more or fewer than half are ones in less than one case in a thousand million.
    ones = sum(bin(byte).count("1") for each in raw for byte in each)
    assert abs(ones - 12_800) < 500


@pytest.mark.skipif(os.name != "posix", reason="this system has no such permissions")
def test_a_kept_key_is_its_owners_alone(tmp_path: Path) -> None:
    key = kept_key(tmp_path)
    path = tmp_path / FILE
    assert path.stat().st_mode & 0o777 == 0o600
    assert kept_key(tmp_path) == key
    path.chmod(0o644)
    other = kept_key(tmp_path)
    assert other != key
    assert path.stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize(
    "text", ["", "short", "k" * 23, "k" * 21 + "!", "\xff" * 22, "k" * 5000, "../../etc/passwd/xxxxx"]
)
def test_what_is_no_key_is_replaced(text: str, tmp_path: Path) -> None:
    (tmp_path / FILE).write_text(text, encoding="utf-8")
    (tmp_path / FILE).chmod(0o600)
    key = kept_key(tmp_path)
    assert (len(key), kept_key(tmp_path)) == (22, key)


def test_a_link_is_replaced_and_not_followed(tmp_path: Path) -> None:
    target = tmp_path / "theirs"
    target.write_text("k" * 22)
    target.chmod(0o600)
    (tmp_path / "results").mkdir()
    (tmp_path / "results" / FILE).symlink_to(target)
    assert kept_key(tmp_path / "results") != "k" * 22
    assert target.read_text() == "k" * 22


def test_a_key_that_cannot_be_kept_is_told_in_a_line(tmp_path: Path) -> None:
    (tmp_path / "results").write_text("in the way")
    with refused(ShopError, str(tmp_path / "results" / FILE), "--keep-key"):
        kept_key(tmp_path / "results")


@pytest.mark.parametrize("shown", ["", "K" * 22, "k" * 21, "k" * 23, "k" * 21 + "\u212a", "\ud800"])
def test_only_the_key_itself_opens(shown: str) -> None:
    gate = Gate("k" * 22, lambda: 0.0)
    assert gate.lets_in("k" * 22)
    assert not gate.lets_in(shown)


@pytest.mark.parametrize(
    ("client", "served", "own"),
    [
        ("127.0.0.1", "192.168.0.7", True),
        ("127.8.9.1", "192.168.0.7", True),
        ("::1", "fe80::1%eth0", True),
        ("::ffff:127.0.0.1", "::1", True),
        ("::ffff:192.168.0.7", "192.168.0.7", True),
        ("192.168.0.7", "192.168.0.7", True),
        ("192.168.0.8", "192.168.0.7", False),
        ("::ffff:192.168.0.8", "192.168.0.7", False),
        ("0.0.0.0", "192.168.0.7", False),
        ("", "192.168.0.7", False),
        ("127.0.0.1.elsewhere.test", "127.0.0.1", False),
    ],
)
def test_which_address_is_this_machines(client: str, served: str, own: bool) -> None:
    assert is_this_machine(client, served) is own


@pytest.mark.parametrize("asked", ["0.0.0.0", "::", "elsewhere.test", "192.168.0", "0"])
def test_all_interfaces_and_names_are_refused_for_phones(asked: str) -> None:
    with refused(ShopError, f"--address {asked}"):
        check_address(asked, phone=True)


@pytest.mark.parametrize("asked", ["0.0.0.0", "::", "192.168.0.7", "10.0.0.1", "fe80::1%eth0", "8.8.8.8"])
def test_without_a_key_nobody_else_may_look(asked: str) -> None:
    with refused(ShopError, f"--address {asked}", "--phone"):
        check_address(asked, phone=False)


class Asking:
    """A socket for which the system chooses an address, or says that there is no way."""

    def __init__(self, own: str | None) -> None:
        self.own, self.sent = own, False

    def connect(self, _where: tuple[str, int]) -> None:
        if self.own is None:
            raise OSError(101, "Network is unreachable")

    def getsockname(self) -> tuple[str, int]:
        return self.own or "", 12345

    def close(self) -> None: ...


@pytest.mark.parametrize("own", ["192.168.0.7", "10.1.2.3", "172.20.0.2", "169.254.3.4"])
def test_the_address_is_that_of_the_local_network(own: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(address.socket, "socket", lambda *_: Asking(own))
    assert own_address() == own


@pytest.mark.parametrize("own", [None, "127.0.0.1", "0.0.0.0", "8.8.8.8"])
def test_without_a_local_network_it_says_how_to_choose(own: str | None, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(address.socket, "socket", lambda *_: Asking(own))
    with refused(ShopError, "--phone", "--address"):
        own_address()

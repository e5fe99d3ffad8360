"""Certificates for the network: trusted once, good for local addresses alone, made anew when they must be."""

from __future__ import annotations

import hashlib
import ipaddress
import stat
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.verification import PolicyBuilder, Store, VerificationError

from halfsplit.errors import UserError
from halfsplit.web import certificates as made
from halfsplit.web.certificates import Certificates, certificates, local_address
from halfsplit.web.joining import code

HERE = ipaddress.ip_address("192.168.1.20")
NOW = datetime(2031, 4, 2, 7, tzinfo=UTC)


def server(found: Certificates) -> x509.Certificate:
    return x509.load_pem_x509_certificate(found.server.read_bytes())


def trusted(authority: bytes, certificate: x509.Certificate, address: str, now: datetime) -> None:
    """Checks the certificate as somebody would who trusts the authority. Raises VerificationError."""
    store = Store([x509.load_der_x509_certificate(authority)])
    there = x509.IPAddress(ipaddress.ip_address(address))
    PolicyBuilder().store(store).time(now).build_server_verifier(there).verify(certificate, [])


def test_who_trusts_the_authority_trusts_the_server_at_its_address_and_no_other(tmp_path: Path) -> None:
    found = certificates(tmp_path / "certificates", HERE, NOW)
    trusted(found.authority, server(found), "192.168.1.20", NOW)
    for address, when in (("192.168.1.21", NOW), ("192.168.1.20", NOW + timedelta(days=400))):
        with pytest.raises(VerificationError):
            trusted(found.authority, server(found), address, when)
    digest = hashlib.sha256(found.authority).hexdigest().upper()
    assert found.fingerprint.replace(":", "") == digest


def test_the_authority_can_vouch_for_nothing_in_the_wide_network(tmp_path: Path) -> None:
    found = certificates(tmp_path / "certificates", HERE, NOW)
    key, authority = made._read(tmp_path / "certificates" / made.AUTHORITY_FILE)
    outside = ipaddress.ip_address("198.51.100.7")
    _, bad = made._server(key, authority, outside, NOW)
    with pytest.raises(VerificationError):
        trusted(found.authority, bad, str(outside), NOW)
    limits = authority.extensions.get_extension_for_class(x509.NameConstraints)
    assert limits.critical
    names = [one.value for one in limits.value.permitted_subtrees or () if isinstance(one, x509.DNSName)]
    assert names == ["localhost"]


def test_keys_are_for_the_owner_alone(tmp_path: Path) -> None:
    folder = tmp_path / "certificates"
    certificates(folder, HERE, NOW)
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    files = sorted(folder.iterdir())
    assert [one.name for one in files] == ["authority.pem", "server.pem"]
    assert {stat.S_IMODE(one.stat().st_mode) for one in files} == {0o600}


def test_certificates_are_kept_until_they_are_used_up_or_the_address_changes(tmp_path: Path) -> None:
    folder = tmp_path / "certificates"
    first = certificates(folder, HERE, NOW)
    before = server(first)
    assert server(certificates(folder, HERE, NOW + timedelta(days=300))) == before
    later = certificates(folder, HERE, NOW + timedelta(days=306))
    assert server(later) != before
    moved = certificates(folder, ipaddress.ip_address("10.0.0.5"), NOW)
    trusted(moved.authority, server(moved), "10.0.0.5", NOW)
    assert first.authority == later.authority == moved.authority


@pytest.mark.parametrize("content", [b"", b"not a certificate", b"\x00" * 2000])
def test_a_damaged_certificate_of_the_server_is_made_anew_and_a_damaged_authority_is_told_of(
    tmp_path: Path, content: bytes
) -> None:
    folder = tmp_path / "certificates"
    first = certificates(folder, HERE, NOW)
    first.server.write_bytes(content)
    trusted(first.authority, server(certificates(folder, HERE, NOW)), "192.168.1.20", NOW)
    (folder / made.AUTHORITY_FILE).write_bytes(content)
    with pytest.raises(UserError) as caught:
        certificates(folder, HERE, NOW)
    assert caught.value.code == "certificate-unusable"


def test_several_that_begin_at_once_end_with_one_authority(tmp_path: Path) -> None:
    folder, found = tmp_path / "certificates", []

    def make() -> None:
        found.append(certificates(folder, HERE, NOW))

    threads = [threading.Thread(target=make) for _ in range(8)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert len({one.fingerprint for one in found}) == 1
    trusted(found[0].authority, server(found[0]), "192.168.1.20", NOW)
    assert sorted(one.name for one in folder.iterdir()) == ["authority.pem", "server.pem"]
    key, _ = made._read(folder / made.SERVER_FILE)
    assert key.public_key() == server(found[0]).public_key()
    assert isinstance(key.curve, ec.SECP256R1)


@pytest.mark.parametrize("text", ["10.1.2.3", "172.31.0.1", "192.168.0.1", "169.254.9.9", "127.0.0.1", "fd00::2"])
def test_addresses_of_local_networks_are_served(text: str) -> None:
    assert str(local_address(text)) == text


@pytest.mark.parametrize("text", ["", "::", "8.8.8.8", "172.32.0.1", "2001:db8::1", "example", "10.1.2.3/8"])
def test_any_other_address_is_refused(text: str) -> None:
    with pytest.raises(UserError) as caught:
        local_address(text)
    assert caught.value.code == "address-not-local"


def test_the_code_to_scan_is_square_and_of_block_characters_alone() -> None:
    lines = code("http://192.168.1.20:49241/").splitlines()
    assert set("".join(lines)) <= set(" █▀▄")
    assert len({len(line) for line in lines}) == 1
    assert abs(2 * len(lines) - len(lines[0])) <= 1

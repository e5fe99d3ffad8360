"""Certificates for serving to the local network: an authority of our own, and a certificate of the server from it.

A phone trusts the authority once; the server's certificate is made anew when it is about to run out or the address
changes, and nobody has to do anything. The authority can vouch for nothing but addresses of local networks (name
constraints, RFC 5280, 4.2.1.10), so trusting it gives nobody with its key anything in the wide network.
"""

from __future__ import annotations

import contextlib
import ipaddress
import os
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from halfsplit.errors import UserError

CODES: dict[str, str] = {
    "certificate-unusable": "A certificate kept for serving to the network cannot be read or written.",
    "address-not-local": "The server was to listen on an address that is none of a local network.",
}

Address = ipaddress.IPv4Address | ipaddress.IPv6Address

#: Networks that are not routed beyond a place: RFC 1918, RFC 3927, RFC 4193, RFC 4291 and the loopback.
LOCAL = tuple(
    ipaddress.ip_network(one)
    for one in (
        "10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "169.254.0.0/16", "127.0.0.0/8", "fc00::/7", "fe80::/10",
        "::1/128",
    )
)  # fmt: skip
#: How long certificates hold. Phones take at most 398 or 825 days of a server (from memory); an authority is trusted
#: by hand, so it should outlast the phones.
SERVER_HOLDS, AUTHORITY_HOLDS = timedelta(days=365), timedelta(days=3650)
#: The server's is made anew when less than this is left; it is looked at when the server starts.
LEFT_AT_LEAST = timedelta(days=60)
#: Clocks of phones go wrong; a certificate holds from a little before it was made.
CLOCKS_DIFFER = timedelta(days=1)
AUTHORITY_FILE, SERVER_FILE = "authority.pem", "server.pem"


@dataclass(frozen=True, slots=True)
class Certificates:
    """What a server needs: its own file with key and certificate, and the authority's certificate to hand out (DER).

    ``fingerprint`` is the SHA-256 of the authority's certificate, as phones show it.
    """

    server: Path
    authority: bytes
    fingerprint: str


def local_address(text: str) -> Address:
    """An address of a local network. Raises UserError("address-not-local")."""
    try:
        found = ipaddress.ip_address(text)
    except ValueError:
        raise UserError("address-not-local", f'"{text}" is no address.', "Write one like 192.168.1.20.") from None
    if not any(found in network for network in LOCAL if network.version == found.version):
        raise UserError(
            "address-not-local",
            f"{found} is no address of a local network.",
            "halfsplit serves phones in the same network alone; --address takes another address of this computer.",
        )
    return found


def certificates(folder: Path, address: Address, now: datetime) -> Certificates:
    """The certificates in ``folder``, made where they are missing, used up or for another address.

    Two processes may ask at once: files come into being whole, and the authority that was there first counts.
    Raises UserError("certificate-unusable").
    """
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        key, authority = _authority(folder / AUTHORITY_FILE, now)
        server = folder / SERVER_FILE
        if not _still_good(server, authority, address, now):
            _replace(server, _pem(*_server(key, authority, address, now)))
    except (OSError, ValueError, TypeError) as error:
        raise UserError(
            "certificate-unusable",
            f"The certificates in {folder} cannot be used: {error}.",
            "Move the folder away; new ones are made then, and every phone has to trust the new authority.",
        ) from error
    prints = authority.fingerprint(hashes.SHA256())
    return Certificates(server, authority.public_bytes(serialization.Encoding.DER), prints.hex(":").upper())


def _authority(file: Path, now: datetime) -> tuple[ec.EllipticCurvePrivateKey, x509.Certificate]:
    if not file.exists():
        key = ec.generate_private_key(ec.SECP256R1())
        name = x509.Name([
            x509.NameAttribute(NameOID.COMMON_NAME, f"halfsplit {now:%Y-%m-%d} {secrets.token_hex(2)}"),
        ])  # fmt: skip
        usage = _usage(signs_certificates=True)
        limits = x509.NameConstraints([*map(x509.IPAddress, LOCAL), x509.DNSName("localhost")], None)
        made = (
            _begun(name, name, key, now, AUTHORITY_HOLDS)
            .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
            .add_extension(usage, critical=True)
            .add_extension(limits, critical=True)
            .sign(key, hashes.SHA256())
        )
        _first(file, _pem(key, made))
    return _read(file)


def _server(
    key: ec.EllipticCurvePrivateKey, authority: x509.Certificate, address: Address, now: datetime
) -> tuple[ec.EllipticCurvePrivateKey, x509.Certificate]:
    own = ec.generate_private_key(ec.SECP256R1())
    # No address here: where there is no other name, some take this one for that of a host, which it must not be then.
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "halfsplit server")])
    issuer = x509.AuthorityKeyIdentifier.from_issuer_public_key(key.public_key())
    made = (
        _begun(name, authority.subject, own, now, SERVER_HOLDS)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(signs_certificates=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(address)]), critical=False)
        .add_extension(issuer, critical=False)
        .sign(key, hashes.SHA256())
    )
    return own, made


def _begun(
    name: x509.Name, issuer: x509.Name, key: ec.EllipticCurvePrivateKey, now: datetime, holds: timedelta
) -> x509.CertificateBuilder:
    subject = x509.SubjectKeyIdentifier.from_public_key(key.public_key())
    return (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - CLOCKS_DIFFER)
        .not_valid_after(now + holds)
        .add_extension(subject, critical=False)
    )


def _usage(*, signs_certificates: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not signs_certificates, key_cert_sign=signs_certificates, crl_sign=signs_certificates,
        content_commitment=False, key_encipherment=False, data_encipherment=False, key_agreement=False,
        encipher_only=False, decipher_only=False,
    )  # fmt: skip


def _still_good(file: Path, authority: x509.Certificate, address: Address, now: datetime) -> bool:
    try:
        _, certificate = _read(file)
        certificate.verify_directly_issued_by(authority)
    except Exception:  # noqa: BLE001 - whatever is wrong with it, a new one is made
        return False
    names = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    holds = certificate.not_valid_before_utc <= now <= certificate.not_valid_after_utc - LEFT_AT_LEAST
    return holds and names.get_values_for_type(x509.IPAddress) == [address]


def _read(file: Path) -> tuple[ec.EllipticCurvePrivateKey, x509.Certificate]:
    content = file.read_bytes()
    key = serialization.load_pem_private_key(content, None)
    if not isinstance(key, ec.EllipticCurvePrivateKey):
        raise TypeError(f"{file.name} holds a key of another kind")
    return key, x509.load_pem_x509_certificate(content)


def _pem(key: ec.EllipticCurvePrivateKey, certificate: x509.Certificate) -> bytes:
    private = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    return private + certificate.public_bytes(serialization.Encoding.PEM)


def _first(file: Path, content: bytes) -> None:
    """Writes a file whole, unless there is one by now."""

    def keep(written: Path) -> None:
        with contextlib.suppress(FileExistsError):
            os.link(written, file)

    _written(file, content, keep)


def _replace(file: Path, content: bytes) -> None:
    """Writes a file whole, in the place of the one that was there."""
    _written(file, content, lambda written: os.replace(written, file))  # noqa: PTH105 - gives nothing back


def _written(file: Path, content: bytes, keep: Callable[[Path], None]) -> None:
    unfinished = file.with_name(f".{file.name}.{secrets.token_hex(8)}")
    try:
        descriptor = os.open(unfinished, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(descriptor, "wb") as out:
            out.write(content)
            out.flush()
            os.fsync(out.fileno())
        keep(unfinished)
    finally:
        unfinished.unlink(missing_ok=True)

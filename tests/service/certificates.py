"""Certificates that tests make on the spot: an authority, and what it signs."""

import ipaddress
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

HOUR, DAY = timedelta(hours=1), timedelta(days=1)


class Authority:
    """Makes certificates that it signs itself."""

    def __init__(self, folder: Path, name: str) -> None:
        self.folder = folder
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        built = self._builder(self._name, self._key, HOUR, DAY).add_extension(
            x509.BasicConstraints(ca=True, path_length=0), critical=True
        )
        usage = x509.KeyUsage(True, False, False, False, False, True, True, False, False)
        built = built.add_extension(usage, critical=True)
        self.file = self._write(f"{name}.pem", built.sign(self._key, hashes.SHA256()))

    def certificate(
        self,
        name: str,
        *,
        since: timedelta = HOUR,
        until: timedelta = DAY,
        subject: str | None = None,
        kind: x509.ObjectIdentifier = NameOID.COMMON_NAME,
    ) -> tuple[Path, Path]:
        """Files of a certificate for 127.0.0.1 and of its key; valid from ``since`` ago to ``until`` from now. The
        subject is ``name`` unless said otherwise.
        """
        key = ec.generate_private_key(ec.SECP256R1())
        named = x509.Name([x509.NameAttribute(kind, subject or name)])
        addresses = x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))])
        built = self._builder(named, key, since, until).add_extension(addresses, critical=False)
        path = self.folder / f"{name}.key"
        form = serialization.PrivateFormat.PKCS8
        path.write_bytes(key.private_bytes(serialization.Encoding.PEM, form, serialization.NoEncryption()))
        return self._write(f"{name}.crt", built.sign(self._key, hashes.SHA256())), path

    def revoke(self, certificate: Path, file: Path) -> None:
        """Write a list of revoked certificates with this one on it."""
        number = x509.load_pem_x509_certificate(certificate.read_bytes()).serial_number
        now = datetime.now(UTC)
        entry = x509.RevokedCertificateBuilder().serial_number(number).revocation_date(now - HOUR).build()
        built = (
            x509.CertificateRevocationListBuilder()
            .issuer_name(self._name)
            .last_update(now - HOUR)
            .next_update(now + DAY)
            .add_revoked_certificate(entry)
        )
        file.write_bytes(built.sign(self._key, hashes.SHA256()).public_bytes(serialization.Encoding.PEM))

    def _builder(
        self, subject: x509.Name, key: ec.EllipticCurvePrivateKey, since: timedelta, until: timedelta
    ) -> x509.CertificateBuilder:
        now = datetime.now(UTC)
        authority = x509.AuthorityKeyIdentifier.from_issuer_public_key(self._key.public_key())
        own = x509.SubjectKeyIdentifier.from_public_key(key.public_key())
        return (
            x509.CertificateBuilder(subject_name=subject, issuer_name=self._name, public_key=key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - since)
            .not_valid_after(now + until)
            .add_extension(own, critical=False)
            .add_extension(authority, critical=False)
        )

    def _write(self, name: str, certificate: x509.Certificate) -> Path:
        path = self.folder / name
        path.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
        return path

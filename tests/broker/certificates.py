"""Certificates of an authority of the test's own."""

import datetime
import ipaddress
from dataclasses import dataclass
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

DAY = datetime.timedelta(days=1)


def name(text: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, text)])


@dataclass
class Authority:
    folder: Path
    title: str

    def __post_init__(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        self.key = ec.generate_private_key(ec.SECP256R1())
        now = datetime.datetime.now(datetime.UTC)
        self.certificate = (
            x509.CertificateBuilder(name(self.title), name(self.title), self.key.public_key(), 1)
            .not_valid_before(now - DAY)
            .not_valid_after(now + DAY)
            .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
            .add_extension(x509.SubjectKeyIdentifier.from_public_key(self.key.public_key()), critical=False)
            .add_extension(KEY_USAGE, critical=True)
            .sign(self.key, hashes.SHA256())
        )
        self.file = self.folder / f"{self.title}.pem"
        self.file.write_bytes(self.certificate.public_bytes(serialization.Encoding.PEM))

    def issue(self, title: str, *, host: str = "127.0.0.1", days: float = 1.0) -> tuple[Path, Path]:
        """Certificate and key files, valid from 10 days ago until so many days from now."""
        key = ec.generate_private_key(ec.SECP256R1())
        now = datetime.datetime.now(datetime.UTC)
        try:
            subject: x509.GeneralName = x509.IPAddress(ipaddress.ip_address(host))
        except ValueError:
            subject = x509.DNSName(host)
        authority = x509.AuthorityKeyIdentifier.from_issuer_public_key(self.key.public_key())
        certificate = (
            x509.CertificateBuilder(
                name(self.title), name(title), key.public_key(), x509.random_serial_number()
            )
            .not_valid_before(now - 10 * DAY)
            .not_valid_after(now + days * DAY)
            .add_extension(x509.SubjectAlternativeName([subject]), critical=False)
            .add_extension(authority, critical=False)
            .sign(self.key, hashes.SHA256())
        )
        certificate_file, key_file = self.folder / f"{title}.crt", self.folder / f"{title}.key"
        certificate_file.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
        key_file.write_bytes(
            key.private_bytes(
                serialization.Encoding.PEM,
                serialization.PrivateFormat.PKCS8,
                serialization.NoEncryption(),
            )
        )
        return certificate_file, key_file


KEY_USAGE = x509.KeyUsage(
    digital_signature=True, content_commitment=False, key_encipherment=False, data_encipherment=False,
    key_agreement=False, key_cert_sign=True, crl_sign=True, encipher_only=False, decipher_only=False,
)  # fmt: skip

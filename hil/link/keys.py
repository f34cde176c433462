"""CURVE key pairs in files, for the link over the network.

A rig host's key directory holds ``server.public``, ``server.secret`` and ``allowed/``, with
one ``NAME.public`` for each client that may connect. A client's directory holds its own
``client.public``, ``client.secret`` and a copy of the rig host's ``server.public``.
Secret files have mode 0600; one that others may read is not used.
"""

from __future__ import annotations

import os
import re
import stat
from dataclasses import dataclass
from pathlib import Path

import zmq

_KEY = re.compile(r"[0-9A-Za-z.\-:+=^!/*?&<>()\[\]{}@%$#]{40}")  # Z85, ZeroMQ RFC 32
_NAME = re.compile(r"[A-Za-z0-9_-]{1,60}")


class CurveKeyError(Exception):
    """Error of a key file: missing, unsafe or not a key; the text names the file and the fix."""


@dataclass(frozen=True, repr=False)
class ServerKeys:
    """Keys of a rig host.

    Attributes:
        public: Z85 text, 40 characters.
        secret: likewise.
        allowed: name of each client by its public key.
    """

    public: str
    secret: str
    allowed: dict[str, str]

    @classmethod
    def load(cls, directory: Path | str) -> ServerKeys:
        """Read a key directory.

        Raises:
            CurveKeyError: a file is missing, unsafe or holds no key, or no client is allowed.
        """
        directory = Path(directory)
        public, secret = _pair(directory, "server")
        allowed = {
            _read(file): file.stem for file in sorted((directory / "allowed").glob("*.public"))
        }
        if not allowed:
            raise CurveKeyError(
                f"'{directory / 'allowed'}' holds no NAME.public, so no client could connect; "
                "copy the client.public of each permitted client there"
            )
        return cls(public, secret, allowed)


@dataclass(frozen=True, repr=False)
class ClientKeys:
    """Keys of a client: its own pair, and the public key of the rig host it trusts."""

    public: str
    secret: str
    server: str

    @classmethod
    def load(cls, directory: Path | str) -> ClientKeys:
        """Read a key directory.

        Raises:
            CurveKeyError: a file is missing, unsafe or holds no key.
        """
        directory = Path(directory)
        public, secret = _pair(directory, "client")
        return cls(public, secret, _read(directory / "server.public"))


def make_server_keys(directory: Path | str) -> None:
    """Make a rig host's key pair and an empty ``allowed`` directory; keep existing files.

    Raises:
        CurveKeyError: the files cannot be written.
    """
    _make_pair(Path(directory), "server")
    (Path(directory) / "allowed").mkdir(mode=0o700, exist_ok=True)


def make_client_keys(directory: Path | str, server: Path | str, name: str) -> None:
    """Make a client's key pair and introduce it and the rig host to each other.

    Args:
        directory: directory of the client.
        server: key directory of the rig host, on the same machine; afterwards take the
            client's directory to its own machine.
        name: name under which the rig host lists the client.

    Raises:
        CurveKeyError: files cannot be read or written, or the name is taken or not a file name.
    """
    directory, server = Path(directory), Path(server)
    if not _NAME.fullmatch(name):
        raise CurveKeyError(f"'{name}' is not a name for a client; use letters, digits, - and _")
    listed = server / "allowed" / f"{name}.public"
    trusted = _read(server / "server.public")
    if listed.exists():
        raise CurveKeyError(f"'{listed}' exists already; choose another name or remove the file")
    _make_pair(directory, "client")
    _write(directory / "server.public", trusted, 0o644)
    _write(listed, _read(directory / "client.public"), 0o644)


def _make_pair(directory: Path, stem: str) -> None:
    try:
        directory.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise CurveKeyError(
            f"key directory '{directory}' cannot be made: {error.strerror}"
        ) from None
    if (directory / f"{stem}.secret").exists():
        _pair(directory, stem)
        return
    public, secret = zmq.curve_keypair()
    _write(directory / f"{stem}.secret", secret.decode(), 0o600)
    _write(directory / f"{stem}.public", public.decode(), 0o644)


def _pair(directory: Path, stem: str) -> tuple[str, str]:
    secret_file = directory / f"{stem}.secret"
    secret = _read(secret_file)
    found = secret_file.stat()
    if found.st_mode & 0o077:
        raise CurveKeyError(
            f"'{secret_file}' can be read by other users "
            f"(mode {stat.S_IMODE(found.st_mode):04o}); run: chmod 600 '{secret_file}'"
        )
    public_file = directory / f"{stem}.public"
    public = _read(public_file)
    if zmq.curve_public(secret.encode()).decode() != public:
        raise CurveKeyError(f"'{public_file}' does not belong to '{secret_file}'; make a new pair")
    return public, secret


def _read(file: Path) -> str:
    try:
        text = file.read_text("ascii").strip()
    except OSError as error:
        raise CurveKeyError(f"key file '{file}' cannot be read: {error.strerror}") from None
    except UnicodeDecodeError:
        text = ""
    if not _KEY.fullmatch(text):
        raise CurveKeyError(f"'{file}' holds no key; it should be one line of 40 Z85 characters")
    return text


def _write(file: Path, key: str, mode: int) -> None:
    try:
        with open(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode), "w") as out:
            out.write(key + "\n")
    except OSError as error:
        raise CurveKeyError(f"key file '{file}' cannot be written: {error.strerror}") from None

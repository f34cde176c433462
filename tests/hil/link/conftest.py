from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from hil.link.keys import make_client_keys, make_server_keys
from tests.hil.link.bare_server import Bare
from tests.hil.link.served import Served


@pytest.fixture
def directory() -> Iterator[Path]:
    """A private directory with a path short enough for sockets."""
    with tempfile.TemporaryDirectory(prefix="hk-") as path:
        yield Path(path)


@pytest.fixture
def bare(directory: Path) -> Iterator[Bare]:
    """A server in this process, and a bare socket to it."""
    both = Bare(directory)
    yield both
    both.close()


@pytest.fixture(scope="module")
def served() -> Iterator[Served]:
    """A serving process shared by a module's tests; they must release control and keep it alive."""
    with tempfile.TemporaryDirectory(prefix="hk-") as path, Served(Path(path)) as process:
        yield process


@pytest.fixture
def mortal(directory: Path) -> Iterator[Served]:
    """A serving process for one test, which may pause or kill it."""
    with Served(directory) as process:
        yield process


@pytest.fixture
def keys(directory: Path) -> Path:
    """Keys of a server and of one client, the laptop."""
    make_server_keys(directory / "server")
    make_client_keys(directory / "laptop", directory / "server", "laptop")
    return directory


@pytest.fixture
def network(keys: Path) -> Iterator[Served]:
    """A serving process that also listens on the network, for these keys."""
    with Served(keys / "link", "--tcp", "127.0.0.1:0", "--keys", str(keys / "server")) as process:
        yield process

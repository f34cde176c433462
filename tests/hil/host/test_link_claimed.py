"""Two benches in one link directory: the second is refused before it writes anything."""

from __future__ import annotations

from pathlib import Path

import pytest

from hil.host.start import BenchOptions, bench_of
from hil.link import LinkError


def test_a_second_bench_leaves_the_first_ones_directory_alone(tmp_path: Path) -> None:
    options = BenchOptions(runs_directory=tmp_path / "runs", link_directory=tmp_path / "link")
    with bench_of(options) as first:
        (first.link_directory / "profile.json").write_text("first")
        with pytest.raises(LinkError, match=r"another bench uses .*link'. Fix: .*--link DIR"):
            bench_of(options)
        assert (first.link_directory / "profile.json").read_text() == "first"
        other = BenchOptions(runs_directory=tmp_path / "runs", link_directory=tmp_path / "other")
        bench_of(other).close()
    bench_of(options).close()


def test_a_claim_is_not_written_through_a_symbolic_link(tmp_path: Path) -> None:
    link = tmp_path / "link"
    link.mkdir(mode=0o700)
    (link / "bench.lock").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(LinkError, match="symbolic"):
        bench_of(BenchOptions(runs_directory=tmp_path, link_directory=link))
    assert not (tmp_path / "elsewhere").exists()

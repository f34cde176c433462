"""A profile without a simulation, over real wires and processes: unverified, then confirmed."""

from __future__ import annotations

import contextlib
import time
from dataclasses import replace
from typing import Any

import pytest

from hil.control import verify, withdraw
from hil.core import Apply, ConfirmReference, ConstantForce, EndRun, PowerOff, PowerOn, StartRun
from hil.host import AxisOptions, BenchOptions, start_axes, start_bench
from hil.host.start import start_rig
from hil.link import Client, Refused
from hil.profile import load_axes, load_profile
from hil.recorder import load_run
from ui.dashboard.bench import OperateModel

SIMULATED = load_profile("bench_slide")
PATIENCE_S = 20.0
ZERO_FORCE = Apply(behaviour=ConstantForce(force_N=0.0), load_may_move=True)

pytestmark = [pytest.mark.real_time, pytest.mark.usefixtures("own_state")]


def real(rig):
    """Return the slide as a real rig's profile, on the bus of a simulated rig's process."""
    bus = SIMULATED.drive["bus"] | {"channel": str(rig.link_directory / "can.sock")}
    drive = SIMULATED.drive | {"bus": bus}
    return SIMULATED.model_copy(update={"simulation": None, "drive": drive})


def accepted(client, request, kind=""):
    """Request until accepted and, if given, until an event of ``kind`` arrives; power takes a moment."""
    until = time.monotonic() + PATIENCE_S
    seen: list[Any] = []
    outcome = accepted_once(client, request, seen, until)
    while kind and kind not in seen:
        assert time.monotonic() < until, f"no event '{kind}'"
        seen += [getattr(item, "kind", "") for item in client.poll()]
        time.sleep(0.01)
    return outcome


def accepted_once(client, request, seen, until):
    while True:
        seen += [getattr(item, "kind", "") for item in client.poll()]
        try:
            return client.request(request)
        except Refused as refusal:
            if time.monotonic() > until:
                raise AssertionError(f"{request.kind}: {refusal}") from None
            time.sleep(0.05)


def heard(client, kind, key="run"):
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        for item in client.poll():
            if getattr(item, "kind", "") == kind:
                return str(item.get(key, ""))
        time.sleep(0.01)
    raise AssertionError(f"no event '{kind}'")


def test_a_real_rig_is_shut_then_opened_by_confirmation(tmp_path):
    with start_rig(SIMULATED) as rig:
        profile = real(rig)
        common = {"runs_directory": tmp_path / "runs", "profile": profile}
        # Not verified: reduced limits, and an open loop until zero is stated.
        with (
            start_bench("bench_slide", BenchOptions(recorder=False, **common)) as bench,
            Client.connect(bench.link_directory, name="first") as client,
        ):
            told = client.description
            assert told["verification"]["how"] == "unverified" and not told["simulated"]
            assert not told["verification"]["open"]
            client.take_control()
            accepted(client, PowerOn(load_supported=True))
            until = time.monotonic() + PATIENCE_S
            text = ""
            while "reference not verified" not in text and time.monotonic() < until:
                client.poll()
                with pytest.raises(Refused) as refusal:
                    client.request(ZERO_FORCE)
                text = str(refusal.value)
            assert "reference not verified" in text
            accepted(client, PowerOff())
            accepted(client, ConfirmReference(position_m=0.0))
            accepted(client, PowerOn(load_supported=True))
            accepted(client, ZERO_FORCE)
            accepted(client, PowerOff())
            # A bring-up that ends meanwhile takes effect at the next power-on; so does its
            # withdrawal.
            verify(profile, tmp_path, "2026-01-01T12:00:00+00:00")
            accepted(client, PowerOn(load_supported=True), "verification")
            with Client.connect(bench.link_directory, name="later") as later:
                assert later.description["verification"]["how"] == "brought_up"
            accepted(client, PowerOff())
            withdraw(profile)
            accepted(client, PowerOn(load_supported=True), "verification")
            with Client.connect(bench.link_directory, name="later") as later:
                assert not later.description["verification"]["open"]
            accepted(client, PowerOff())
        # A typed confirmation raises the limits and is recorded in the run; zero is kept as a
        # guess.
        with (
            start_bench("bench_slide", BenchOptions(unverified=profile.name, **common)) as bench,
            Client.connect(bench.link_directory, name="second") as client,
        ):
            found = client.description["verification"]
            assert found["how"] == "confirmed_unverified" and found["open"]
            assert found["confirmed"] == profile.name
            heard(client, "heartbeat", "reference")
            client.take_control()
            accepted(client, StartRun(name="confirmed"))
            folder = heard(client, "recording")
            accepted(client, EndRun())
            heard(client, "recorded")
        run = load_run(tmp_path / "runs" / folder)
        assert run.meta["verification"]["how"] == "confirmed_unverified"
        assert run.meta["verification"]["confirmed"] == profile.name
        assert run.meta["reference"] == "kept" and run.meta["simulated"] is False


def test_each_axis_is_verified_by_its_own_fingerprint(tmp_path):
    simulated = load_axes("two_axes")
    with contextlib.ExitStack() as stack:
        profiles = {}
        for axis, profile in simulated.profiles.items():
            rig = stack.enter_context(start_rig(profile))  # on a bus of its own
            bus = profile.drive["bus"] | {"channel": str(rig.link_directory / "can.sock")}
            drive = profile.drive | {"bus": bus}
            profiles[axis] = profile.model_copy(update={"simulation": None, "drive": drive})
        axes = replace(simulated, profiles=profiles)
        verify(profiles["toe"], tmp_path, "2026-01-01T12:00:00+00:00")
        options = BenchOptions(runs_directory=tmp_path / "runs", recorder=False)
        confirmed = {"heel": AxisOptions(unverified=profiles["heel"].name)}
        for each, how in (({}, "unverified"), (confirmed, "confirmed_unverified")):
            with start_axes(axes, options, each) as bench:
                models = {}
                for axis, link in bench.axis_links.items():
                    with Client.connect(link, name="looks") as client:
                        models[axis] = OperateModel(client.description)
                        found = client.description["verification"]
                        assert found["how"] == (how if axis == "heel" else "brought_up")
                        assert found["open"] == (axis == "toe" or bool(each))
                # The reason is on the axis's own pages.
                assert "this rig was never brought up" in models["heel"].unverified
                assert models["toe"].unverified == ""
                reduced = models["heel"].profile.limits.force.limited
                full = profiles["heel"].limits.force.limited
                assert (reduced == full) == bool(each)
                assert models["toe"].profile.limits == profiles["toe"].limits

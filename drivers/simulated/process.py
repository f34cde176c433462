"""The simulated rig as a process: ``python -m drivers.simulated.process --config FILE``.

FILE is JSON: ``{"protocol": name, "options": {...}, "parameters": {...}, "environment":
endpoint, "seed": 1, "end_with_parent": true, "processor": null}``. The process finds the
protocol, builds the core and its simulation control, and calls ``protocol.simulate(options, core, control)``,
which must

- bring the node on the bus, then call ``control.ready()`` (prints the line ``ready``),
- in its loop call ``core.advance(elapsed_s)`` and ``control.poll()`` (never blocks),
- return soon after ``control.ending`` has become true (SIGTERM, SIGINT, or exit of the parent).

Exit code 0 for a requested end, 2 for a bad configuration, 3 for an unreachable or lost bus.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import signal
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pydantic

from drivers.base import DriverError, WireProtocol
from drivers.registry import find_protocol
from drivers.simulated.drive_core import SimulatedDriveCore
from drivers.simulated.parameters import RigParameters
from drivers.simulated.simulation_control import SimulationControl

_KEYS = {"protocol", "options", "parameters", "environment", "seed", "end_with_parent", "processor"}


class ConfigurationError(Exception):
    """Error of a configuration file; the text names the place and the fix."""


@dataclass(frozen=True)
class Configuration:
    protocol: WireProtocol
    options: Any  # validated by the protocol's own model
    parameters: RigParameters
    environment: str
    seed: int
    end_with_parent: bool
    processor: int | None  # number of the processor to run on


def read_configuration(path: Path) -> Configuration:
    """Read and check everything before anything starts.

    Raises:
        ConfigurationError: naming the file, the key and the permitted value.
    """
    try:
        values = json.loads(path.read_text())
    except OSError as error:
        raise ConfigurationError(f"{path}: {error.strerror}") from None
    except ValueError as error:
        raise ConfigurationError(f"{path} is not JSON: {error}") from None
    if not isinstance(values, dict):
        raise ConfigurationError(f"{path}: must hold one JSON object")
    unknown = sorted(set(values) - _KEYS)
    if unknown:
        raise ConfigurationError(
            f"{path}: unknown key '{unknown[0]}' (known: {', '.join(sorted(_KEYS))})"
        )
    for key in ("protocol", "options", "environment"):
        if key not in values:
            raise ConfigurationError(f"{path}: key '{key}' is missing")
    seed = values.get("seed", 1)
    if isinstance(seed, bool) or not isinstance(seed, int):
        raise ConfigurationError(f"{path}: seed = {seed!r} must be an integer")
    processor = values.get("processor")
    if processor is not None and (isinstance(processor, bool) or not isinstance(processor, int)):
        raise ConfigurationError(f"{path}: processor = {processor!r} must be a processor number")
    try:
        protocol = find_protocol(values["protocol"])
        options = protocol.options.model_validate(values["options"])
        parameters = RigParameters.from_mapping(values.get("parameters", {}))
    except pydantic.ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        raise ConfigurationError(f"{path}: options.{place}: {first['msg']}") from None
    except (ValueError, TypeError, DriverError) as error:
        raise ConfigurationError(f"{path}: {error}") from None
    return Configuration(
        protocol,
        options,
        parameters,
        str(values["environment"]),
        seed,
        bool(values.get("end_with_parent", True)),
        processor,
    )


def run(configuration: Configuration) -> None:
    """Run the node until requested to end.

    Raises:
        DriverError: the control or the bus cannot be opened, or the bus was lost.
    """
    core = SimulatedDriveCore(configuration.parameters, configuration.seed)
    control = SimulationControl(
        configuration.environment,
        core.environment,
        lambda: print("ready", flush=True),
        os.getppid() if configuration.end_with_parent else None,
    )
    if configuration.processor is not None:
        with contextlib.suppress(OSError, AttributeError):
            os.sched_setaffinity(0, {configuration.processor})

    def end(*_: object) -> None:
        control.ending = True

    signal.signal(signal.SIGTERM, end)
    signal.signal(signal.SIGINT, end)
    try:
        configuration.protocol.simulate(configuration.options, core, control)
    finally:
        control.close()


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the process and return the exit code."""
    parser = argparse.ArgumentParser(
        prog="python -m drivers.simulated.process",
        description="Run the simulated rig as a node on a bus, behind a drive's wire protocol.",
    )
    parser.add_argument("--config", required=True, type=Path, help="JSON file, see this module")
    options = parser.parse_args(arguments)
    try:
        configuration = read_configuration(options.config)
    except ConfigurationError as error:
        print(f"simulated rig: {error}", file=sys.stderr)
        return 2
    try:
        run(configuration)
    except DriverError as error:
        print(f"simulated rig: {error}", file=sys.stderr)
        return 3
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""How much of a CAN bus a cyclic exchange takes at worst."""

from __future__ import annotations

from collections.abc import Iterable

from drivers.cia402.mapping import pdos
from drivers.cia402.options import Cia402Options

USUAL_BIT_RATE = 1_000_000


def worst_frame_bits(data_bytes: int, extended: bool = False) -> int:
    """Bits of a classic data frame with the most stuff bits, interframe space included.

    g + 8s + 13 + ⌊(g + 8s − 1)/4⌋ with g = 34, or 54 for 29-bit identifiers (Davis, Burns,
    Bril, Lukkien: Controller Area Network (CAN) schedulability analysis, Real-Time Systems 35,
    2007).

    Raises:
        ValueError: not 0 to 8 data bytes.
    """
    if not 0 <= data_bytes <= 8:
        raise ValueError(f"a classic CAN frame has 0 to 8 data bytes, not {data_bytes}")
    stuffed = (54 if extended else 34) + 8 * data_bytes
    return stuffed + 13 + (stuffed - 1) // 4


def bus_share(frames: Iterable[tuple[int, float]], bit_rate: float) -> float:
    """Share of the bus, 1 = full, for (data bytes, frames per second)."""
    return sum(worst_frame_bits(size) * rate for size, rate in frames) / bit_rate


def cia402_load(options: Cia402Options, period_s: float) -> tuple[float, str]:
    """(share of the bus at worst, what it was reckoned with) of one drive.

    SYNC, all receive and transmit PDOs at their rates, both heartbeats; SDO and EMCY come on
    top now and then.
    """
    rate = 1.0 / period_s
    given = options.bus.extra().get("bitrate")
    bit_rate = float(given) if isinstance(given, int | float) else float(USUAL_BIT_RATE)
    receive, transmit = pdos(options)
    frames = [(0, rate), (1, 1.0 / options.host_heartbeat), (1, 1.0 / options.drive_heartbeat)]
    frames += [(pdo.packing.size, rate) for pdo in receive]
    frames += [(pdo.packing.size, rate / max(1, pdo.transmission)) for pdo in transmit]
    source = "as the profile says" if given is not None else "taken as usual"
    return bus_share(frames, bit_rate), f"at {bit_rate / 1e6:g} Mbit/s, {source}"

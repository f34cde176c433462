"""The maker's electronic data sheet (CiA 306): names, and early checks of missing abilities."""

from __future__ import annotations

import difflib
import io
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

import canopen
from canopen import objectdictionary

from drivers.base import DriverError, Mode, Shortcoming
from drivers.cia402 import objects as od
from drivers.cia402.mapping import Entry, pdos
from drivers.cia402.options import Cia402Options

ANOTHER = "use a drive that has it, or correct the file"
MOST_NEAR = 3
RPDO_TIMER = (od.RPDO_COMMUNICATION, od.EVENT_TIMER)
# Words in makers' names for the object of a key; common practice, no source.
WORDS = {
    "deflection_object": ("analog", "analogue", "input", "encoder", "sensor"),
    "spare_object": ("analog", "analogue", "input", "sensor"),
    "temperature_object": ("temperature", "heat"),
    "supply_current_object": ("supply", "bus", "current"),
}
MODES = {"torque": Mode.TORQUE, "velocity": Mode.VELOCITY, "position": Mode.POSITION}
TYPES = {
    objectdictionary.INTEGER8: "INTEGER8",
    objectdictionary.INTEGER16: "INTEGER16",
    objectdictionary.INTEGER32: "INTEGER32",
    objectdictionary.UNSIGNED8: "UNSIGNED8",
    objectdictionary.UNSIGNED16: "UNSIGNED16",
    objectdictionary.UNSIGNED32: "UNSIGNED32",
}


class DataSheet:
    """Dictionary of the sheet named in the options; without one, the built-in names.

    Raises:
        DriverError: the file cannot be read, or by it the drive lacks something needed.
    """

    def __init__(self, options: Cia402Options) -> None:
        self._options = options
        self.dictionary = canopen.ObjectDictionary()  # type: ignore[no-untyped-call]
        self._file = ""
        if options.eds is None:
            return
        self._file = Path(options.eds).name
        self.dictionary = _read(options)
        for lacking in self._shortcomings():
            raise DriverError(f"drive.{'.'.join(lacking.path)}: {lacking.what}; {lacking.fix}")

    @classmethod
    def shortcomings(cls, options: Cia402Options) -> list[Shortcoming]:
        """Return all shortcomings of a drive by its sheet; none without a sheet."""
        sheet = cls(options.model_copy(update={"eds": None}))
        if options.eds is None:
            return []
        sheet._options, sheet._file = options, Path(options.eds).name
        try:
            sheet.dictionary = _read(options, to_look_at=True)
        except DriverError as error:
            what, _, fix = str(error).removeprefix("drive.eds: ").rpartition("; ")
            return [Shortcoming(("eds",), what, fix)]
        return list(sheet._shortcomings())

    def _shortcomings(self) -> Iterator[Shortcoming]:
        keys = self._keys()
        receive, transmit = pdos(self._options)
        for direction, writes in ((receive, True), (transmit, False)):
            for pdo in direction:
                for entry in pdo.entries:
                    key = keys.get((entry.index, entry.subindex), "eds")
                    lacking = self._cyclic(entry, key, writes)
                    if lacking is not None:
                        yield lacking
        for count, communication, mapping, name in (
            (len(receive), od.RPDO_COMMUNICATION, od.RPDO_MAPPING, "receive"),
            (len(transmit), od.TPDO_COMMUNICATION, od.TPDO_MAPPING, "transmit"),
        ):
            yield from self._slots(count, communication, mapping, name)
        yield from self._settings()
        yield from self._modes()

    def _keys(self) -> dict[tuple[int, int], str]:
        """Return the profile's key for each selectable object."""
        found = {}
        for key in WORDS:
            reference = getattr(self._options, key)
            if reference is not None:
                found[reference.index, reference.subindex] = key
        return found

    def _cyclic(self, entry: Entry, key: str, writes: bool) -> Shortcoming | None:
        """Return the reason why an object cannot be cyclic; None if it can."""
        variable = self._variable(entry.index, entry.subindex)
        name = od.name_of(entry.index, entry.subindex)
        bits = od.size(entry.kind) * 8
        what = ""
        if variable is None:
            what = f"{self._file} has no {name}, which the cycle needs"
        elif not variable.pdo_mappable:
            what = f"{self._file} does not allow {name} in a PDO"
        elif len(variable) != bits:
            what = f"{self._file} declares {name} with {len(variable)} bits, {bits} are expected"
            if key != "eds":
                return Shortcoming((key,), what, f"correct drive.{key}.type")
        elif not (variable.writable if writes else variable.readable):
            what = f"{self._file} does not allow {name} to be {'written' if writes else 'read'}"
        if not what:
            return None
        near = self._near(entry, key, writes)
        has = f": it has {', '.join(near)}" if near else ": it has none of that size"
        if key == "eds":
            return Shortcoming((key,), what, ANOTHER + (f"; nearest{has}" if near else ""))
        choose = f"choose another object for drive.{key}"
        if key != "deflection_object":
            choose += " or write null"
        return Shortcoming((key,), what, choose + has)

    def _near(self, entry: Entry, key: str, writes: bool) -> list[str]:
        """Return the most similar objects that could replace one, best first."""
        bits = od.size(entry.kind) * 8
        words = WORDS.get(key, tuple(od.NAMES.get(entry.index, "").split()))
        ranked = []
        for variable in self._variables():
            usable = variable.writable if writes else variable.readable
            chosen = key != "eds"  # for a chosen object the type is open, the size is not
            if not usable or not variable.pdo_mappable or not 8 <= len(variable) <= 32:
                continue
            if not chosen and len(variable) != bits:
                continue
            said = [word.lower() for word in self._words(variable).split()]
            alike = sum(bool(difflib.get_close_matches(word, said, 1, 0.8)) for word in words)
            # A standard object has one meaning, so only a similar name makes another one similar.
            if alike and variable.data_type in TYPES:
                far = abs(variable.index - entry.index)
                ranked.append((-alike, len(variable) != bits, far, variable.subindex, variable))
        ranked.sort(key=lambda rank: rank[:4])
        return [self._described(variable) for *_, variable in ranked[:MOST_NEAR]]

    def _described(self, variable: objectdictionary.ODVariable) -> str:
        place = f"{variable.index:#06x}" + (
            f":{variable.subindex:02x}" if variable.subindex else ""
        )
        return f"{place} {self._words(variable)} ({TYPES[variable.data_type or 0]})"

    def _words(self, variable: objectdictionary.ODVariable) -> str:
        parent = variable.parent
        above = getattr(parent, "name", "") if variable.subindex else ""
        return f"{above} {variable.name}".strip()

    def _slots(
        self, count: int, communication: int, mapping: int, name: str
    ) -> Iterator[Shortcoming]:
        """Yield PDOs that are missing or whose content is fixed."""
        has = sum(
            self._variable(communication + n, 1) is not None for n in range(od.PREDEFINED_PDOS)
        )
        for n in range(count):
            if self._variable(communication + n, 1) is None:
                what = f"{self._file} has {has} {name} PDOs, {count} are needed"
                yield Shortcoming(("eds",), what, ANOTHER)
                return
            for index, subindex in ((communication + n, 1), (mapping + n, 0), (mapping + n, 1)):
                found = self._variable(index, subindex)
                if found is None or not found.writable:
                    what = (
                        f"{self._file} does not allow {od.name_of(index, subindex)} to be written"
                    )
                    yield Shortcoming(("eds",), what, ANOTHER)
                    break

    def _settings(self) -> Iterator[Shortcoming]:
        """Yield missing settings that are made before the cycle."""
        o = self._options
        needed = [
            (*self._watch(), "without it this drive does not notice a dead host"),
            (od.PRODUCER_HEARTBEAT, 0, "without it the drive cannot be monitored"),
            (od.ABORT_CONNECTION_OPTION, 0, "without it its reaction to a dead host is unknown"),
        ]
        if o.quick_stop is not None:
            needed.append((od.QUICK_STOP_OPTION, 0, "drive.quick_stop requires it"))
        for index, subindex, why in needed:
            found = self._variable(index, subindex)
            if found is None or not found.writable:
                lacks = "has no" if found is None else "does not allow writing"
                key, fix = "eds", ANOTHER
                if index == od.CONSUMER_HEARTBEAT and self._settable(*RPDO_TIMER):
                    key, fix = "watch", f"write watch: rpdo_timer, it has {od.name_of(*RPDO_TIMER)}"
                elif index == od.RPDO_COMMUNICATION:
                    key = "watch"
                    if self._settable(od.CONSUMER_HEARTBEAT, 1):
                        fix = "write watch: heartbeat, which it has"
                elif index == od.QUICK_STOP_OPTION:
                    key, fix = "quick_stop", "write null, and it keeps what it has"
                what = f"{self._file} {lacks} {od.name_of(index, subindex)}: {why}"
                yield Shortcoming((key,), what, fix)
        if self._variable(od.MOTOR_RATED_TORQUE, 0) is None:
            what = (
                f"{self._file} has no {od.name_of(od.MOTOR_RATED_TORQUE)}: torque commands are per "
                "mille of it"
            )
            yield Shortcoming(("eds",), what, ANOTHER)

    def _watch(self) -> tuple[int, int]:
        """Return the object by which the drive watches its host."""
        return (od.CONSUMER_HEARTBEAT, 1) if self._options.watch == "heartbeat" else RPDO_TIMER

    def _settable(self, index: int, subindex: int) -> bool:
        found = self._variable(index, subindex)
        return found is not None and bool(found.writable)

    def _modes(self) -> Iterator[Shortcoming]:
        """Yield modes that the drive lacks by the default of its supported drive modes."""
        found = self._variable(od.SUPPORTED_MODES, 0)
        supported = None if found is None else found.default
        if not isinstance(supported, int):
            return
        has = [name for name, mode in MODES.items() if supported >> (int(mode) - 1) & 1]
        for name in self._options.modes:
            if name not in has:
                what = (
                    f"{self._file} has no cyclic synchronous {name} mode "
                    f"({od.name_of(od.SUPPORTED_MODES)} is {supported:#x})"
                )
                fix = f"it has {', '.join(has)}" if has else ANOTHER
                yield Shortcoming(("modes",), what, fix)

    def _variables(self) -> Iterator[objectdictionary.ODVariable]:
        for entry in self.dictionary.values():
            if isinstance(entry, objectdictionary.ODVariable):
                yield entry
            else:
                yield from entry.values()

    def _variable(self, index: int, subindex: int) -> objectdictionary.ODVariable | None:
        try:
            found = self.dictionary[index]
            if isinstance(found, objectdictionary.ODVariable):
                return found if subindex == 0 else None
            return found[subindex]
        except KeyError:
            return None

    def check_identity(self, vendor: int, product: int) -> None:
        """Raise ``DriverError`` if the sheet is that of another device."""
        if not self._file:
            return
        stated = self.dictionary.device_information
        for name, sheet, drive in (
            ("vendor", stated.vendor_number, vendor),
            ("product", stated.product_number, product),
        ):
            if sheet and sheet != drive:
                raise DriverError(
                    f"drive.eds: {self._file} is for {name} {sheet:#x}, the drive is "
                    f"{drive:#x}: give the file of this drive"
                )

    def name_of(self, index: int, subindex: int = 0) -> str:
        """Return index, subindex and name of an object, from the sheet if not built in."""
        name = od.name_of(index, subindex)
        variable = self._variable(index, subindex) if " " not in name else None
        return f"{name} {variable.name}" if variable is not None else name


def _read(options: Cia402Options, to_look_at: bool = False) -> canopen.ObjectDictionary:
    """Return the dictionary of a sheet, a shared one if it is only ``to_look_at``.

    Raises:
        DriverError: it cannot be read.
    """
    assert options.eds is not None
    name = Path(options.eds).name
    try:
        # Opened here: given a name, the package ignores a missing file.
        with open(options.eds, encoding="utf-8", errors="replace") as file:
            text = file.read()
        dictionary = (_looked_at if to_look_at else _dictionary)(text, name, options.node)
    except Exception as error:
        raise DriverError(
            f"drive.eds: {name} cannot be read: {error}; give a CiA 306 file (.eds, "
            ".dcf), or leave the key out"
        ) from error
    if not len(dictionary):
        raise DriverError(f"drive.eds: {name} declares no object; give the file of this drive")
    return dictionary


def _dictionary(text: str, name: str, node: int) -> canopen.ObjectDictionary:
    file = io.StringIO(text)
    file.name = name  # the suffix gives the format
    return canopen.import_od(file, node)


@lru_cache(maxsize=4)
def _looked_at(text: str, name: str, node: int) -> canopen.ObjectDictionary:
    """Return a cached dictionary for reading: parsing is a third of the time of a profile check."""
    return _dictionary(text, name, node)

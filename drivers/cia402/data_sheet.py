"""The maker's electronic data sheet (CiA 306): names, and what the drive cannot do, early."""

from __future__ import annotations

from pathlib import Path

import canopen
from canopen import objectdictionary

from drivers.base import DriverError
from drivers.cia402 import objects as od
from drivers.cia402.mapping import pdos
from drivers.cia402.options import Cia402Options


class DataSheet:
    """Dictionary of the sheet named in the options; without one, the built-in names.

    Raises:
        DriverError: the file cannot be read, or lacks an object that is needed in a PDO.
    """

    def __init__(self, options: Cia402Options) -> None:
        self.dictionary = canopen.ObjectDictionary()  # type: ignore[no-untyped-call]
        self._file = ""
        if options.eds is None:
            return
        self._file = Path(options.eds).name
        try:
            # Opened here: given a name, the package answers a missing file with silence.
            with open(options.eds, encoding="utf-8", errors="replace") as file:
                self.dictionary = canopen.import_od(file, options.node)
        except Exception as error:
            raise DriverError(
                f"drive.eds: {self._file} cannot be read: {error}; give a CiA 306 file (.eds, "
                ".dcf), or leave the key out"
            ) from error
        if not len(self.dictionary):
            raise DriverError(f"drive.eds: {self._file} declares no object: is it the right file?")
        for direction in pdos(options):
            for pdo in direction:
                for entry in pdo.entries:
                    self._check(entry.index, entry.subindex, od.size(entry.kind) * 8)

    def _variable(self, index: int, subindex: int) -> objectdictionary.ODVariable | None:
        try:
            found = self.dictionary[index]
            if isinstance(found, objectdictionary.ODVariable):
                return found if subindex == 0 else None
            return found[subindex]
        except KeyError:
            return None

    def _check(self, index: int, subindex: int, bits: int) -> None:
        variable = self._variable(index, subindex)
        name = od.name_of(index, subindex)
        if variable is None:
            raise DriverError(
                f"drive.eds: {self._file} has no {name}, which the cycle needs: choose an object "
                "that the drive has, or correct the file"
            )
        if not variable.pdo_mappable:
            raise DriverError(f"drive.eds: {self._file} does not let {name} into a PDO")
        if len(variable) != bits:
            raise DriverError(
                f"drive.eds: {self._file} declares {name} with {len(variable)} bits, "
                f"{bits} are expected: correct the object's type under drive"
            )

    def check_identity(self, vendor: int, product: int) -> None:
        """Raises ``DriverError`` if the sheet is that of another device."""
        if not self._file:
            return
        told = self.dictionary.device_information
        for name, sheet, drive in (
            ("vendor", told.vendor_number, vendor),
            ("product", told.product_number, product),
        ):
            if sheet and sheet != drive:
                raise DriverError(
                    f"drive.eds: {self._file} is for {name} {sheet:#x}, the drive is "
                    f"{drive:#x}: give the file of this drive"
                )

    def name_of(self, index: int, subindex: int = 0) -> str:
        """Index, subindex and name of an object, from the sheet where the built-in lacks it."""
        name = od.name_of(index, subindex)
        variable = self._variable(index, subindex) if " " not in name else None
        return f"{name} {variable.name}" if variable is not None else name

"""The shipped electronic data sheet against the node, read by the ``canopen`` package."""

from __future__ import annotations

from pathlib import Path

import canopen
import pytest
from canopen.objectdictionary import ODVariable

from drivers.base import DriverError
from drivers.cia402 import objects as od
from drivers.cia402.data_sheet import DataSheet
from drivers.cia402.dictionary import build
from drivers.cia402.options import Cia402Options
from drivers.simulated.drive_core import SimulatedDriveCore
from drivers.simulated.parameters import RigParameters

EDS = Path(__file__).parents[3] / "profiles" / "drives" / "bench_cia402.eds"


def options(**more):
    return Cia402Options(bus={"interface": "local_socket"}, node=5, **more)


def variables(sheet):
    for index, entry in sheet.items():
        if isinstance(entry, ODVariable):
            yield (index, 0), entry
        else:
            for subindex, member in entry.items():
                yield (index, subindex), member


def test_sheet_describes_exactly_this_node():
    sheet = dict(variables(canopen.import_od(str(EDS), 5)))
    spare = {"index": 0x6401, "subindex": 2}
    core = SimulatedDriveCore(RigParameters(), 1)
    node = build(options(spare_object=spare), core, lambda: 0).items
    assert set(sheet) == set(node)
    for place, item in node.items():
        told = sheet[place]
        assert told.writable == item.writable, place
        assert told.pdo_mappable == item.mappable, place
        if item.text:
            assert told.default == item.text.decode()
        else:
            assert len(told) == 8 * od.size(item.kind), place
            if told.default is not None and item.get is None:
                assert told.default == item.value, place


def edited(tmp_path, old, new):
    file = tmp_path / "edited.eds"
    text = EDS.read_text()
    assert old in text
    file.write_text(text.replace(old, new))
    return str(file)


def test_what_the_cycle_needs_must_be_in_the_sheet(tmp_path):
    with pytest.raises(DriverError, match=r"edited\.eds has no 0x6077 torque actual value"):
        DataSheet(options(eds=edited(tmp_path, "[6077]", "[5077]")))
    with pytest.raises(DriverError, match=r"0x6401:01 with 16 bits, 32 are expected"):
        DataSheet(
            options(
                eds=str(EDS),
                deflection_object={"index": 0x6401, "subindex": 1, "type": "INTEGER32"},
            )
        )


@pytest.mark.parametrize(
    "content", ["no sheet at all", "", "[1000]\nParameterName=x\nObjectType=q"]
)
@pytest.mark.filterwarnings("ignore:The 'warn' method")
def test_a_file_that_is_no_sheet_is_named(tmp_path, content):
    file = tmp_path / "bad.eds"
    file.write_text(content)
    with pytest.raises(DriverError, match=r"drive\.eds: bad\.eds"):
        DataSheet(options(eds=str(file)))
    with pytest.raises(DriverError, match=r"drive\.eds: gone\.eds cannot be read"):
        DataSheet(options(eds=str(tmp_path / "gone.eds")))


def test_sheet_of_another_device_is_refused(tmp_path):
    DataSheet(options(eds=str(EDS))).check_identity(0, 1)
    other = DataSheet(options(eds=edited(tmp_path, "ProductNumber=0x1", "ProductNumber=0x7")))
    with pytest.raises(DriverError, match=r"product 0x7, the drive is 0x1"):
        other.check_identity(0, 1)


def test_names_come_from_the_sheet_where_the_standard_has_none():
    assert DataSheet(options(eds=str(EDS))).name_of(0x2010) == "0x2010 Drive temperature"
    assert DataSheet(options()).name_of(0x6040) == "0x6040 controlword"

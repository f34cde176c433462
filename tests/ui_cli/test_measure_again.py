"""``hookeline measure --again``: the same four files from the same runs, byte for byte."""

from ui.cli import main


def test_the_sheet_is_made_again_byte_for_byte(tmp_path, capsys):
    folder = tmp_path / "one"
    options = ["measure", "--profile", "footplate_trainer", "--lockstep", "--only", "shock"]
    assert main([*options, "--out", str(folder)]) == 0
    names = [f"data_sheet.{suffix}" for suffix in ("html", "json", "parquet", "pdf")]
    first = {name: (folder / name).read_bytes() for name in names}
    for name in names:
        (folder / name).unlink()
    assert main(["measure", "--again", str(folder)]) == 0
    assert {name: (folder / name).read_bytes() for name in names} == first
    assert b"shock.drop_blow" in first["data_sheet.json"]

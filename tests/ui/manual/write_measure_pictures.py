"""Draw the pictures of the manual's page on measuring, from the folder of a measurement.

``python -m tests.ui.manual.write_measure_pictures FOLDER``, the folder that ``hookeline measure
--profile footplate_trainer --lockstep`` wrote.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from PIL import Image

from hil.core import COLUMNS
from hil.measure import NAME, TESTS, assemble, page_pictures
from ui.dashboard.measure import MeasureModel
from ui.dashboard.measure_picture import save_measure_picture

PICTURES = Path(__file__).parents[3] / "ui" / "pictures"
COLOURS = 64  # enough for a drawing of few colours, at a third of the bytes


def main(folder: Path) -> None:
    """Write both pictures and print their paths."""
    sheet = assemble(folder, TESTS)
    pictures = [PICTURES / f"{NAME}.png", PICTURES / "measure.png"]
    pictures[0].write_bytes(page_pictures(sheet, 120.0)[0])
    run = sheet.tested[0].run
    names = set(run.table.column_names)
    row = [run.column(c.name)[-1] if c.name in names else np.nan for c in COLUMNS]

    def finished(measuring: MeasureModel) -> None:
        measuring.show(
            Path("measured", folder.name), {tested.test.key: tested for tested in sheet.tested}
        )

    save_measure_picture(
        sheet.profile, np.array([row], dtype=float), pictures[1], finished, size=(1280, 800)
    )
    for picture in pictures:
        with Image.open(picture) as drawn:
            few = drawn.convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE)
        few.save(picture, optimize=True)
        print(picture, picture.stat().st_size)


if __name__ == "__main__":
    main(Path(sys.argv[1]))

"""Cursor readings take two lines for each curve and leave most of a narrow page to the plots."""

from tests.ui.runs.runs_window import Host, opened


def laid(picture, cursors):
    picture.view.cursors = cursors
    picture.grab()
    return picture.charts[0].inner.width() / picture.width()


def test_statistics_stand_in_a_second_line_where_one_line_would_take_the_picture(
    window: Host, monkeypatch
) -> None:
    picture = opened(window)
    assert picture.width() < 800  # beside the list of runs
    alone = laid(picture, [])
    assert laid(picture, [1.0, 2.0]) > 0.35
    readings = picture.readings
    assert readings.stacked and readings.heads == ("A", "B", "B − A")
    drawn = []
    monkeypatch.setattr(
        type(readings),
        "texts",
        lambda self, curve, factor: drawn.append(curve.column) or ["1", "2", "3", "4", "5", "6"],
    )
    picture.grab()
    assert len(drawn) == sum(len(chart.curves) for chart in picture.charts)  # no curve is hidden
    assert laid(picture, [1.0]) > laid(picture, [1.0, 2.0])
    assert laid(picture, []) == alone and not readings.stacked


def test_a_wide_page_has_all_readings_in_one_line(window: Host) -> None:
    picture = opened(window)
    picture.resize(1600, 560)
    assert laid(picture, [1.0, 2.0]) > 0.5
    assert not picture.readings.stacked and len(picture.readings.heads) == 6


def test_low_panels_keep_one_line(window: Host) -> None:
    picture = opened(window)
    picture.resize(700, 230)
    laid(picture, [1.0, 2.0])
    assert not picture.readings.stacked

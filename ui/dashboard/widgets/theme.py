"""Colours and sizes of the window.

The palette is Okabe and Ito's (2008), told apart with any common form of colour vision; no meaning
rests on colour alone.
"""

from __future__ import annotations

from dataclasses import dataclass

SMALLEST_PT = 11.0
SHEET_WIDTH = 1440  # the window for which sizes are given
SHEET_HEIGHT = 900


@dataclass(frozen=True)
class Theme:
    """Colours as ``#rrggbb``."""

    name: str
    ground: str  # the sheet
    raised: str  # fields and buttons
    strip: str  # header and stop strip
    rule: str  # hairlines
    grid: str
    ink: str  # outlines, figures
    quiet: str  # second text
    disabled: str
    metal: str  # filled parts of the drawing
    measured: str
    motor: str
    setpoint: str
    shaped: str
    deflection: str
    nut: str
    force: str
    marker: str
    accent: str  # chosen, focus, the button that acts
    on_accent: str
    stop: str
    stop_pressed: str
    on_stop: str
    warning: str
    warning_ground: str


LIGHT = Theme(
    name="light",
    ground="#fcfbf6",
    raised="#ffffff",
    strip="#f1eee5",
    rule="#d9d4c7",
    grid="#e7e3d8",
    ink="#1b222c",
    quiet="#4f5965",
    disabled="#9a9c9c",
    metal="#e6e2d4",
    measured="#0072b2",
    motor="#56b4e9",
    setpoint="#e69f00",
    shaped="#8a8f98",
    deflection="#009e73",
    nut="#d55e00",
    force="#d55e00",
    marker="#a8507f",
    accent="#0072b2",
    on_accent="#ffffff",
    stop="#c4122b",
    stop_pressed="#8f0c1f",
    on_stop="#ffffff",
    warning="#8a4b00",
    warning_ground="#fdeecb",
)

DARK = Theme(
    name="dark",
    ground="#15191e",
    raised="#20262d",
    strip="#1c2127",
    rule="#39424c",
    grid="#2a3139",
    ink="#eceae3",
    quiet="#aab3bc",
    disabled="#6b747d",
    metal="#3a434c",
    measured="#4fa9e6",
    motor="#8fd0f5",
    setpoint="#f0b429",
    shaped="#98a1aa",
    deflection="#2cc295",
    nut="#f0803c",
    force="#f0803c",
    marker="#dd9cc0",
    accent="#2a78b0",
    on_accent="#ffffff",
    stop="#d01a34",
    stop_pressed="#97101f",
    on_stop="#ffffff",
    warning="#ffcf70",
    warning_ground="#41330f",
)

THEMES = {theme.name: theme for theme in (LIGHT, DARK)}


@dataclass(frozen=True)
class Sizes:
    """Lengths in logical pixels and text sizes in points for one window size."""

    scale: float
    text_pt: float
    head_pt: float
    state_pt: float
    figure_pt: float
    large_pt: float
    stop_pt: float

    def px(self, length: float) -> int:
        """Return ``length`` of the 1440 × 900 sheet in this window, at least one pixel."""
        return max(1, round(length * self.scale))

    @property
    def low(self) -> bool:
        """True for a window so small that text, which shrinks no further, fills it."""
        return self.scale < 0.95


def sizes_for(width: int, height: int) -> Sizes:
    """Return the sizes for a window; text is never smaller than 11 pt."""
    scale = min(width / SHEET_WIDTH, height / SHEET_HEIGHT)
    # Coarse steps: a drag of the window edge must not restyle every widget at each pixel.
    scale = round(min(max(scale, 0.78), 4.0) * 20) / 20
    text = max(SMALLEST_PT, 11.0 * scale)
    return Sizes(
        scale=scale,
        text_pt=text,
        head_pt=max(SMALLEST_PT, 12.5 * scale),
        state_pt=max(18.0, 25 * scale),
        figure_pt=max(15.0, 20 * scale),
        large_pt=max(26.0, 36 * scale),
        stop_pt=max(28.0, 42 * scale),
    )


def style_sheet(theme: Theme, sizes: Sizes) -> str:
    """Return the Qt style sheet of every standard widget in the window."""
    t, px = theme, sizes.px
    return f"""
* {{ font-size: {sizes.text_pt}pt; color: {t.ink}; }}
QMainWindow, QWidget#sheet {{ background: {t.ground}; }}
QWidget#header, QWidget#strip {{ background: {t.strip}; }}
QWidget#header {{ border-bottom: 1px solid {t.rule}; }}
QWidget#strip {{ border-top: 1px solid {t.rule}; }}
QLabel {{ background: transparent; }}
QLabel#quiet {{ color: {t.quiet}; padding: 0; border-radius: 0; }}
QLabel#head {{ font-weight: 600; font-size: {sizes.head_pt}pt; }}
QLabel#state {{ font-weight: 700; font-size: {sizes.state_pt}pt; padding: 0; border-radius: 0; }}
QLabel#stopped {{ font-weight: 700; font-size: {sizes.state_pt}pt; color: {t.warning};
    background: {t.warning_ground}; padding: 0 {px(10)}px; border-radius: {px(3)}px; }}
QLabel#power_on {{ font-weight: 800; font-size: {0.72 * sizes.stop_pt:.1f}pt; color: {t.on_stop};
    background: {t.stop}; padding: {px(14)}px; }}
QLabel#warning {{ color: {t.warning}; background: {t.warning_ground};
    padding: {px(3)}px {px(7)}px; border-radius: {px(3)}px; }}
QPushButton {{ background: {t.raised}; border: 1px solid {t.rule}; border-radius: {px(4)}px;
    padding: {px(3)}px {px(9)}px; }}
QPushButton:hover {{ border-color: {t.quiet}; }}
QPushButton:focus {{ border: 2px solid {t.accent}; padding: {px(3) - 1}px {px(9) - 1}px; }}
QPushButton:pressed {{ background: {t.rule}; }}
QPushButton:disabled {{ color: {t.disabled}; background: {t.strip}; }}
QPushButton:checked {{ background: {t.ink}; color: {t.ground}; border-color: {t.ink}; }}
QPushButton:checked:focus {{ border-color: {t.accent}; }}
QPushButton:checked:disabled {{ background: {t.disabled}; color: {t.ground}; }}
QPushButton#page {{ background: transparent; border: none; border-radius: 0;
    border-bottom: {px(3)}px solid transparent; padding: {px(4)}px {px(12)}px; color: {t.quiet}; }}
QPushButton#page:checked {{ color: {t.ink}; border-bottom-color: {t.ink}; }}
QPushButton#page:focus {{ background: {t.raised}; border-bottom-color: {t.accent}; }}
QPushButton#apply {{ background: {t.accent}; color: {t.on_accent}; font-weight: 700;
    border-color: {t.accent}; padding: {px(6)}px; }}
QPushButton#apply:focus {{ border: 2px solid {t.ink}; }}
QPushButton#apply:pressed {{ background: {t.ink}; color: {t.ground}; }}
QPushButton#apply:disabled {{ background: {t.strip}; color: {t.disabled};
    border-color: {t.rule}; }}
QPushButton#stop {{ background: {t.stop}; color: {t.on_stop}; font-weight: 800;
    font-size: {sizes.stop_pt}pt; border: 2px solid {t.ink}; border-radius: {px(7)}px; }}
QPushButton#stop:focus {{ border: {px(4)}px solid {t.ink}; }}
QPushButton#stop:pressed {{ background: {t.stop_pressed}; }}
QLineEdit {{ background: {t.raised}; border: 1px solid {t.quiet}; border-radius: {px(3)}px;
    padding: {px(2)}px {px(5)}px; placeholder-text-color: {t.quiet};
    selection-background-color: {t.accent};
    selection-color: {t.on_accent}; }}
QLineEdit:focus {{ border: 2px solid {t.accent}; padding: {px(2) - 1}px {px(5) - 1}px; }}
QLineEdit:disabled {{ color: {t.disabled}; border-color: {t.rule}; background: {t.strip}; }}
QLineEdit[wrong="true"] {{ border: 2px solid {t.nut}; }}
QListView, QSpinBox {{ background: {t.raised}; border: 1px solid {t.rule};
    selection-background-color: {t.accent}; selection-color: {t.on_accent}; }}
QListView::item:selected {{ background: {t.accent}; color: {t.on_accent}; }}
QListView:focus, QSpinBox:focus {{ border: 2px solid {t.accent}; }}
QSpinBox:disabled, QListView:disabled {{ color: {t.disabled}; background: {t.strip}; }}
QTableView {{ background: {t.raised}; alternate-background-color: {t.ground};
    gridline-color: {t.rule}; border: 1px solid {t.rule};
    selection-background-color: {t.accent}; selection-color: {t.on_accent}; }}
QTableView:focus {{ border: 2px solid {t.accent}; }}
QHeaderView::section {{ background: {t.strip}; color: {t.quiet}; border: none;
    border-bottom: 1px solid {t.rule}; padding: {px(3)}px {px(6)}px; }}
QScrollArea, QScrollArea > QWidget > QWidget#fields {{ background: transparent; border: none; }}
QScrollBar:vertical {{ background: {t.ground}; width: {px(10)}px; border: none; }}
QScrollBar::handle:vertical {{ background: {t.rule}; border-radius: {px(4)}px;
    min-height: {px(24)}px; }}
QScrollBar:horizontal {{ background: {t.ground}; height: {px(10)}px; border: none; }}
QScrollBar::handle:horizontal {{ background: {t.rule}; border-radius: {px(4)}px;
    min-width: {px(24)}px; }}
QScrollBar::add-line, QScrollBar::sub-line {{ width: 0; height: 0; }}
"""

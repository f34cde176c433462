"""Texts of the Calibrate page: what to do now, the outcome, and how two compare. No Qt."""

from __future__ import annotations

import html
import math
from collections.abc import Iterable

from drivers.motion import FINE, FORCE, LENGTH, STIFFNESS, worded
from hil.calibration import CalibrationFile, CalibrationResult
from hil.control import ForceCalibration
from hil.profile import Calibration, Profile, TwoSlopes
from ui.dashboard.bench import number, two_digits
from ui.dashboard.calibrate.kept import Compared, Kept
from ui.dashboard.calibrate.model import AUTO, CalibrateModel
from ui.dashboard.guided import why_not_words
from ui.dashboard.widgets import Theme

LAW_WORDS = {
    "line": "straight line",
    "quadratic": "quadratic",
    "cubic": "cubic",
    "two_slopes": "two slopes with a knee",
}
FIGURES = (
    ("repeatability", "repeatability b′"),
    ("reproducibility", "reproducibility b"),
    ("reversibility", "reversibility ν"),
    ("interpolation", "interpolation error f_c"),
)
SHOWN = (0.0, 0.25, 0.5, 0.75, 1.0)


def large_words(calibrating: CalibrateModel) -> tuple[str, str, bool]:
    """Return head line, large text, and whether it is bad news."""
    question, progress = calibrating.question, calibrating.run.progress
    if question is not None:
        by = " (simulated hands answer)" if calibrating.alone else ""
        do = "Read this off" if question.kind == "read" else "Do this now"
        return f"{do}{by}{_where(calibrating)}", question.text, False
    if calibrating.running:
        if calibrating.doing:
            return f"Being done by hand{_where(calibrating)}", calibrating.doing, False
        count = f"Point {progress.done + 1} of {progress.total}" if progress else ""
        if progress is None:
            return "Nothing for you to do", "Connecting to the rig.", False
        if progress.kind == "load":
            text = f"{progress.text}: waiting until nothing moves."
            return f"Nothing for you to do{_where(calibrating)}", text, False
        if progress.kind == "point" and progress.point is not None:
            point = progress.point
            text = f"{_begun(point.label)}: {number(FORCE(point.load_N), 1)}{FORCE} taken."
            return f"Point {progress.done} of {progress.total}{_where(calibrating)}", text, False
        if progress.kind in ("moving", "settling"):
            word = "Moving to" if progress.kind == "moving" else "Settling under"
            text = progress.text.replace(": to ", ", ") if word == "Moving to" else progress.text
            return f"{count}{_where(calibrating)} · keep hands off", f"{word} {text}.", False
        return "Nothing for you to do", f"{progress.text}.", False
    if calibrating.busy:
        return "One moment", f"{calibrating.busy.capitalize()} …", False
    if calibrating.message:
        head = "Read this" if calibrating.wrong else "Done"
        return head, calibrating.message, calibrating.wrong
    if calibrating.result is not None:
        return _outcome(calibrating.result)
    if calibrating.model.drift:
        first = calibrating.model.drift[0]
        fix = _begun(first.fix.partition(": hookeline")[0])  # here it is done by the page
        return "The calibration in force", f"{_begun(first.sentence)}. {fix}.", True
    if calibrating.why_not_begin:
        why = why_not_words(calibrating.model, calibrating.why_not_begin)
        return "Cannot begin yet", why, False
    return (
        "Nothing is running",
        "Begin (G): you are prompted for what to hang; the rig holds each load, waits until the reading "
        "has settled, and takes it. Change weights only with the power off.",
        False,
    )


def _where(calibrating: CalibrateModel) -> str:
    note = calibrating.run.note.partition(":")[0]
    return f" · {note}" if note.startswith("series") else ""


def _begun(text: str) -> str:
    return text[:1].upper() + text[1:]


def _outcome(result: CalibrationResult) -> tuple[str, str, bool]:
    errors = [f for f in result.findings if f.severity == "error"]
    if errors or result.calibration is None or result.fit is None:
        head = "Not usable: keep it as evidence or discard it"
        if not errors:
            return head, "No force law was found.", True
        more = f" And {len(errors) - 1} more, below." if len(errors) > 1 else ""
        first = errors[0]
        return head, f"{_begun(first.sentence)}. {_begun(first.fix)}.{more}", True
    low, high = result.fit.load_range
    warnings = len(result.findings)
    also = f", with {warnings} warning{'s' * (warnings > 1)}" if warnings else ""
    return (
        f"Sound{also}: accept it (A) or discard it (Del)",
        f"{worded('Force', 'Torque')} is known to ±{two_digits(FORCE(largest_u95(result)))}{FORCE} or "
        f"better (k\u00a0=\u00a02), from {number(FORCE(low), 0)} to {number(FORCE(high), 0)}{FORCE}.",
        False,
    )


def largest_u95(result: CalibrationResult) -> float:
    """Return the largest expanded uncertainty (k = 2) in N over the loads that were hung."""
    if result.budget is None or result.fit is None:
        return math.nan
    low, high = result.fit.load_range
    inside = [2 * u for force, u in result.budget.table if low <= force <= high]
    return max(inside, default=math.nan)


# -- HTML ------------------------------------------------------------------------------------


def result_html(result: CalibrationResult, theme: Theme) -> str:
    """Return findings with their fixes, then law, band, figures and budget."""
    parts = [findings_html(((f.sentence, f.fix, f.severity) for f in result.findings), theme)]
    if result.calibration is not None and result.fit is not None:
        law = ForceCalibration(result.calibration, result.profile.sensors.deflection)
        parts += [
            _rows("Law", _law_rows(result), theme),
            _rows("Band ±U, k = 2", _band_rows(law, result.fit.load_range), theme),
            _rows("Figures of merit (ISO 376), worst", _merit_rows(result), theme),
            _rows("Standard uncertainty at the top", _budget_rows(result), theme),
            _rows(
                "Corrected AIC, lowest is best",
                [
                    (LAW_WORDS.get(name, name), number(fit.aicc, 1))
                    for name, fit in sorted(result.fits.items(), key=lambda item: item[1].aicc)
                ],
                theme,
            ),
        ]
    return "".join(parts)


def findings_html(findings: Iterable[tuple[str, str, str]], theme: Theme) -> str:
    """Return each sentence with its fix, from (sentence, fix, severity)."""
    parts = []
    for sentence, fix, severity in findings:
        word = "Found" if severity == "error" else "Warning"
        parts.append(
            f'<p style="margin:0 0 6px 0"><b>{word}: {_said(sentence)}</b><br>'
            f'<b style="color:{theme.warning}">Fix:</b> {_said(fix)}</p>'
        )
    return "".join(parts)


def _law_rows(result: CalibrationResult) -> list[tuple[str, str]]:
    assert result.calibration is not None and result.fit is not None
    rows = [("shape", LAW_WORDS.get(result.fit.law, result.fit.law))]
    rows += spring_rows(result.calibration, result.u_knee_m)
    rows.append(("scatter about it", f"{two_digits(result.fit.residual_sd)} counts"))
    sensor = result.sensor
    if sensor is None:
        rows.append(("sensor", "from the profile: the output was not clamped"))
    else:
        kind = "linear" if sensor.kind == "linear" else f"table of {len(sensor.table)} rows"
        worst = float(abs(sensor.residual_counts).max())
        rows.append(("sensor", f"{kind}, within {worst:.1f} counts"))
    if result.dead_zone_m:
        rows.append(("dead zone", f"{LENGTH(result.dead_zone_m):.2f}{LENGTH}"))
    return rows


def spring_rows(calibration: Calibration, u_knee_m: float = math.nan) -> list[tuple[str, str]]:
    """Return zero, counts and springs of a calibration."""
    rows = [
        ("zero", f"{calibration.zero:.2f} counts"),
        ("per count", f"{number(FINE(calibration.deflection_per_count), 4)}{FINE}"),
    ]
    law = calibration.spring_law
    if isinstance(law, TwoSlopes):
        known = f" ± {two_digits(LENGTH(2 * u_knee_m))}" if u_knee_m < law.knee else ""
        rows += [
            ("rate to the knee", f"{STIFFNESS(law.inner_rate):.2f}{STIFFNESS}"),
            ("rate beyond", f"{STIFFNESS(law.outer_rate):.2f}{STIFFNESS}"),
            ("knee", f"{LENGTH(law.knee):.3f}{known}{LENGTH}"),
        ]
    else:
        rows.append(("springs", f"polynomial of degree {len(law.coefficients) - 1}"))
    return rows


def _band_rows(law: ForceCalibration, span: tuple[float, float]) -> list[tuple[str, str]]:
    low, high = span
    forces = [low + share * (high - low) for share in SHOWN]
    return [
        (f"at {number(FORCE(f), 0)}{FORCE}", f"± {two_digits(FORCE(law.u95(f)))}{FORCE}")
        for f in forces
    ]


def _merit_rows(result: CalibrationResult) -> list[tuple[str, str]]:
    merit = result.merit
    if merit is None:
        return []
    rows = [(word, _percent(merit.worst(name))) for name, word in FIGURES]
    rows.append(("zero error f₀", _percent(merit.zero)))
    rows.append(("resolution r", f"{two_digits(FORCE(merit.resolution))}{FORCE}"))
    return rows


def _percent(value: float) -> str:
    return f"{two_digits(value)} %" if math.isfinite(value) else "not determined by these series"


def _budget_rows(result: CalibrationResult) -> list[tuple[str, str]]:
    budget, fit = result.budget, result.fit
    if budget is None or fit is None:
        return []
    top = int(abs(budget.force_N - fit.load_range[1]).argmin())
    found = [(name.replace("_", " "), float(u[top])) for name, u in budget.components.items()]
    return [
        (name, f"{two_digits(FORCE(u))}{FORCE}")
        for name, u in sorted(found, key=lambda item: -item[1])
    ]


def kept_html(kept: Kept, profile: Profile, theme: Theme) -> str:
    """Return one earlier calibration as text."""
    file = kept.file
    if file is None:
        return findings_html([(kept.problem, "choose another", "error")], theme)
    content = file.content
    parts = []
    if kept.problem:
        parts.append(f"<p><b>Not for use here:</b> {_said(kept.problem)}</p>")
    elif file.identity == profile.calibration.identity:
        parts.append("<p><b>This one is in force.</b></p>")
    if content.note:
        parts.append(f"<p>{_said(content.note)}</p>")
    rows = [
        ("made", content.made[:16].replace("T", " ")),
        ("rig", content.profile.name + (" (simulated)" if content.simulated else "")),
        ("shape", LAW_WORDS.get(content.law.law, content.law.law)),
        *spring_rows(file.calibration, content.figures.u_knee_m or math.nan),
        ("points", str(len(content.points.rows))),
    ]
    parts.append(_rows("", rows, theme))
    parts.append(_rows("Band ±U, k = 2", _band_rows(file.law, file.range_N), theme))
    parts.append(findings_html(((f.sentence, f.fix, f.severity) for f in content.findings), theme))
    parts.append(f"<p>{_said(str(file.path))}</p>")
    return "".join(parts)


def compared_html(compared: Compared, theme: Theme) -> str:
    """Describe the difference of the second from the first."""
    a, b = _said(named(compared.first)), _said(named(compared.second))
    head = f"<p><b>A</b> {a}<br><b>B</b> {b}</p>"
    found = compared.found
    if found is None:
        return head + f"<p><b>Cannot be compared:</b> {_said(compared.problem)}</p>"
    verdict = (
        "A and B agree within their uncertainty."
        if found.agree
        else f"A and B differ by up to {found.apart:.1f} times the uncertainty of both: check what "
        "was changed at the rig between them, or calibrate again."
    )
    last = found.force_N.size - 1
    rows = [
        (
            f"at {number(FORCE(found.force_N[i]), 0)}{FORCE}",
            f"{number(FORCE(found.difference_N[i]), 2)}{FORCE} of "
            f"± {two_digits(FORCE(2 * found.u_N[i]))}{FORCE}",
        )
        for i in (round(share * last) for share in SHOWN)
    ]
    zero = f"{number(found.zero_counts, 1)} counts, {number(FORCE(found.zero_N), 1)}{FORCE}"
    return (
        head
        + f"<p><b>{verdict}</b></p>"
        + _rows("B less A, with ±U of both", [*rows, ("zero", zero)], theme)
    )


def named(file: CalibrationFile) -> str:
    """Return date, time and law of a calibration."""
    made = file.content.made[:16].replace("T", " ")
    return f"{made}, {LAW_WORDS.get(file.content.law.law, file.content.law.law)}"


def law_choices(calibrating: CalibrateModel) -> list[tuple[str, str]]:
    """Return (law, label) to choose from, the one that the points support first."""
    best = LAW_WORDS.get(calibrating.law_by_evidence, "none")
    return [(AUTO, f"By evidence: {best}"), *LAW_WORDS.items()]


def _rows(title: str, rows: Iterable[tuple[str, str]], theme: Theme) -> str:
    cells = "".join(
        f'<tr><td style="color:{theme.quiet}">{_said(name)}&nbsp;&nbsp;</td>'
        f"<td>{_said(value)}</td></tr>"
        for name, value in rows
    )
    if not cells:
        return ""
    head = f'<p style="margin:6px 0 0 0"><b>{_said(title)}</b></p>' if title else ""
    return f'{head}<table cellpadding="1">{cells}</table>'


def _said(text: str) -> str:
    return html.escape(text)

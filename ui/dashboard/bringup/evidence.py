"""Figures, findings and fixes of a step of the bring-up, as text."""

from __future__ import annotations

import html
import math

from hil.bringup import Measured, Result
from ui.dashboard.widgets import Sizes, Theme


def evidence_html(result: Result, theme: Theme, sizes: Sizes) -> str:
    """Return findings with their fix first, then every figure with the expected one."""
    parts = []
    for found in result.findings:
        parts.append(
            f'<p style="margin:0 0 {sizes.px(6)}px 0"><b>Found: {_said(found.sentence)}</b><br>'
            f'<b style="color:{theme.warning}">Fix:</b> {_said(found.fix)}</p>'
        )
    if result.text and all(result.text not in found.sentence for found in result.findings):
        parts.append(f'<p style="margin:0 0 {sizes.px(6)}px 0">{_said(result.text)}</p>')
    if result.measured:
        ordered = sorted(result.measured, key=lambda measured: measured.good)
        rows = "".join(_row(measured, theme) for measured in ordered)
        parts.append(
            f'<table cellpadding="{sizes.px(3)}" width="100%"><tr style="color:{theme.quiet}">'
            f"<td></td><td>measured</td><td>value</td><td>expected</td></tr>{rows}</table>"
        )
    if result.changes:
        changes = "".join(f"<br>{_said(k)}: {_said(v)}" for k, v in result.changes.items())
        parts.append(f"<p>Proposed for the profile:{changes}</p>")
    return "".join(parts)


def _row(measured: Measured, theme: Theme) -> str:
    value = measured.value
    if not isinstance(value, str):
        value = f"{value:.4g}" if math.isfinite(value) else "not measured"
    shown = _said(f"{value} {'' if measured.unit == '1' else measured.unit}".strip())
    mark = "✓" if measured.good else "✗"
    why = _said(measured.why)
    row = f"<tr><td>{mark}</td><td>{_said(measured.name)}</td>"
    if measured.expected:
        row += f"<td>{shown}</td><td>{_said(measured.expected)}</td></tr>"
    else:
        row += f'<td colspan="2">{shown}</td></tr>'
    if not measured.good:
        row = row.replace("<td>", "<td><b>").replace("</td>", "</b></td>")
    if why:
        row += f'<tr><td></td><td colspan="3" style="color:{theme.quiet}">{why}</td></tr>'
    return row


def _said(text: str) -> str:
    return html.escape(text)

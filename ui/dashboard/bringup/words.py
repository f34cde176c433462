"""Texts of the Bring-up page on a bring-up that has ended. No Qt."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from hil.bringup import Result, Step, Verdict

# The rig host checks the verification before each power-on; a profile edited meanwhile stays shut.
OPENS_WITH_POWER = (
    " Verified now: the next power-on (P) opens the profile's own limits. If they stay reduced, the "
    "header says why."
)


def summary(
    steps: Sequence[Step], results: Mapping[str, Result], reduced: bool = False
) -> tuple[str, str]:
    """Return the result, and the key of the first step that is wrong, '' if none is.

    Args:
        reduced: the bench works at reduced limits, as it found the rig unverified.
    """
    for number, step in enumerate(steps, 1):
        result = results.get(step.key)
        if result is None or result.verdict is Verdict.PASS:
            continue
        what = f"Step {number}, {step.title}: "
        if result.findings:
            found = result.findings[0]
            return f"{what}{found.sentence}. Fix: {found.fix}.", step.key
        if is_bad(result):
            return f"{what}{result.text.rstrip('.')}. Then continue (G).", step.key
    passed = sum(r.verdict is Verdict.PASS for r in results.values())
    if passed < len(steps):
        return f"{passed} of {len(steps)} steps are verified; continue (G).", ""
    later = OPENS_WITH_POWER if reduced else ""
    return f"All {passed} steps passed: this rig is verified.{later}", ""


def is_bad(result: Result) -> bool:
    return result.verdict in (Verdict.FAIL, Verdict.NEEDS_PERSON)


def proposed(results: Mapping[str, Result]) -> dict[str, str]:
    """Return profile keys and the values proposed for them."""
    changes: dict[str, str] = {}
    for result in results.values():
        changes |= result.changes
        for found in result.findings:
            changes |= found.changes
    return changes


def without_changes(result: Result) -> Result:
    """Return the same with nothing proposed."""
    found = [replace(f, changes={}) for f in result.findings]
    return replace(result, changes={}, findings=found)

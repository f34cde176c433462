"""Errors of the link; every text gives the event and the fix."""

from __future__ import annotations


class LinkError(Exception):
    """The link cannot be made or used."""


class Refused(LinkError):
    """The rig host understood and said no; the text is its reason. The link is well."""


class HostGone(LinkError):
    """The rig host does not answer or has fallen silent."""

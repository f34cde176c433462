"""Errors of the link; every text gives what happened and the fix."""

from __future__ import annotations


class LinkError(Exception):
    """Error of a link that cannot be made or used."""


class Refused(LinkError):
    """Refusal by the rig host; the text is its reason. The link itself is fine."""


class NoRigHost(LinkError):
    """No link directory: no rig host serves there, and none returns by itself."""


class KeysNeeded(LinkError):
    """A link over the network was requested without keys: the request is wrong, not the link."""


class HostGone(LinkError):
    """No answer, or no more messages, from the rig host."""

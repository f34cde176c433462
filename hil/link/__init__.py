"""The link between rig host and clients: messages, keys, server, client."""

from hil.link.axes_links import axis_addresses, links_of_axes
from hil.link.beside import connect_beside
from hil.link.client import Block, Client, Refused
from hil.link.directory import claimed_link_directory, default_directory, make_link_directory
from hil.link.errors import HostGone, KeysNeeded, LinkError, NoRigHost
from hil.link.favoured import favoured
from hil.link.gaps import GapCounter
from hil.link.items import Answer
from hil.link.keys import ClientKeys, CurveKeyError, ServerKeys, make_client_keys, make_server_keys
from hil.link.messages import to_json
from hil.link.request_gate import ROUND_TRIP_MOST_S
from hil.link.server import Incoming, LinkServer

__all__ = [
    "ROUND_TRIP_MOST_S",
    "Answer",
    "Block",
    "Client",
    "ClientKeys",
    "CurveKeyError",
    "GapCounter",
    "HostGone",
    "Incoming",
    "KeysNeeded",
    "LinkError",
    "LinkServer",
    "NoRigHost",
    "Refused",
    "ServerKeys",
    "axis_addresses",
    "claimed_link_directory",
    "connect_beside",
    "default_directory",
    "favoured",
    "links_of_axes",
    "make_client_keys",
    "make_link_directory",
    "make_server_keys",
    "to_json",
]

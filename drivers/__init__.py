"""Reach hardware: buses, serial ports, wire protocols, the simulated rig. Knows nothing of hil."""

from drivers.compiled import install

install()

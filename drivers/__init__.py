"""Access to hardware: buses, serial ports, wire protocols, simulated rig. Independent of hil."""

from drivers.compiled import install

install()

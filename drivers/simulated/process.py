"""The simulated rig as a process: ``python -m drivers.simulated.process --config FILE``.

FILE is JSON: ``{"protocol", "options", "parameters", "surroundings", "seed"}``. The process
finds the protocol, builds the core and its side door, and calls
``protocol.simulate(options, core, door)``, which must

- bring the node on the bus, then call ``door.ready()`` once (prints the line ``ready``),
- in its loop call ``core.advance(elapsed_s)`` and ``door.poll()`` (never blocks),
- return soon after ``door.ending`` has become true (SIGTERM, SIGINT or the parent gone).
"""

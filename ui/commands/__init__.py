"""One module per command of ``hookeline``; each has ``add(commands)`` and ``run(options)``."""

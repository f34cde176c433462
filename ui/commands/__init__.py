"""The subcommands of ``hookeline``; each module has ``add``."""

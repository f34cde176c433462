"""Runs on disk: written by a process of its own, or in-process by lockstep runs."""

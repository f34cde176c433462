"""Boards that a profile describes: no program, a declaration."""

"""Boards described in a profile by a declaration instead of a program."""

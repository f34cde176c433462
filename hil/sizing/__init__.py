"""Sizing: from what is wanted and a list of parts to what each combination gives."""

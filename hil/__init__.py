"""The bench itself: no Qt, no wire formats."""

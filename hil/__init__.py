"""The bench itself: no Qt, no wire formats."""

import drivers as drivers  # before any module that may be compiled

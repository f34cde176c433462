"""A record computed from formulas, whose exact figures are known."""

import numpy as np


class SyntheticRun:
    """A run of columns by name and marked windows ``(name, begin, end, values)`` in rows."""

    def __init__(self, columns, windows):
        self._columns = columns
        self.events = []
        for name, begin, end, values in windows:
            mark = {"kind": "marker", "values": values}
            self.events.append(mark | {"text": f"begin {name}", "cycle": begin - 1})
            self.events.append(mark | {"text": f"end {name}", "cycle": end - 1})

    def column(self, name):
        if name == "cycle":
            return np.arange(len(next(iter(self._columns.values()))))
        return self._columns[name]

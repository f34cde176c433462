"""``python -m hil.host``: the process of the rig host."""

import sys

from hil.host.host_process import main

if __name__ == "__main__":
    sys.exit(main())

"""python -m verify: the same as the command preflash."""

import sys

from verify.command_line import main

if __name__ == "__main__":
    sys.exit(main())

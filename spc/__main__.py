"""``python -m spc`` is ``spc``."""

from spc.cli.app import main

main()

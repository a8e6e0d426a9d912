"""python -m fdm is the same as fdm."""

from fdm.cli import main

main()

"""`python -m relief`."""

from relief.cli import main

main()

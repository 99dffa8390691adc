"""`python -m dictate` is the same as `dictate`."""

from dictate.cli import main

main()

"""`python -m logger` is the `rimelog` command."""

from logger.cli import main

main()

"""`python -m speedlog`."""

from speedlog.cli.main import main

main()

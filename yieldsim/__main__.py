"""`python -m yieldsim` is the `yieldsim` command."""

from yieldsim.cli.entry import main

if __name__ == "__main__":
    main()

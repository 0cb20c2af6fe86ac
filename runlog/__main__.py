"""`python -m runlog` is `runlog`."""

from runlog.cli import main

if __name__ == "__main__":
    main()

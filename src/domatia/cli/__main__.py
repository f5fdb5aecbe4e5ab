"""Run the commands with `python -m domatia.cli`."""

from domatia.cli import main

if __name__ == "__main__":
    main()

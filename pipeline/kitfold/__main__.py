"""The command line's door: `kitfold` and `python -m kitfold`."""

from kitfold.cli.main import main

__all__ = ["main"]

if __name__ == "__main__":
    main()

"""The command line's door: `kitfold` and `python -m kitfold`."""

import sys

__all__ = ["main"]


def main() -> None:
    """Run the command line; Ctrl-C while it loads ends it without a trace too."""
    try:
        from kitfold.cli.main import main as run
    except KeyboardInterrupt:
        sys.exit(130)
    run()


if __name__ == "__main__":
    main()

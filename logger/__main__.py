"""``python -m logger`` is ``riselog``."""

from logger.cli import main

if __name__ == "__main__":
    main()

"""``python -m lightstack``."""

from lightstack.cli.main import main

if __name__ == "__main__":
    main()

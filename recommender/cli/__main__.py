"""``python -m recommender.cli``: the same as ``nextpull``."""

from recommender.cli.cli import main

if __name__ == "__main__":
    main()

"""``python -m busplan``."""

from busplan.cli import run

if __name__ == "__main__":
    run()

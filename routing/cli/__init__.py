"""The command line."""


def main() -> None:
    """Entry point of the command; loads it here, since a child loads the file that called this again."""
    from routing.cli.app import main as run

    run()

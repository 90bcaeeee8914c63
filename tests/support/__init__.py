"""Help for the tests."""

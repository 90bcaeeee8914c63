"""Scripts that measure; none is part of the program."""

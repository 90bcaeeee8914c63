"""Child processes that stay: one for the page, a pool of them for many files."""

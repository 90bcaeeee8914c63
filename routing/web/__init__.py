"""The page in the browser: jobs on disk, a warm worker beside the server, and what guards them."""

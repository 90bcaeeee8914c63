"""Process choice, order, stock, estimate, documents and the faces of the program."""

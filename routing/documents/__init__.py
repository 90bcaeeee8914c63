"""What a person or a script reads: route file, table, coloured model, terminal. The route file comes
first, everything else that shows numbers is made from it, so that no two documents can disagree."""

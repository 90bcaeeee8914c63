"""Demo die inserts of an invented toolroom, with the keys a die maker would sign."""

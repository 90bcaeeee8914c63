"""Reading and healing: the only place that knows STEP files, their units, names and colours."""

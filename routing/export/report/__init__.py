"""The report a die maker reads: one page for the browser and one for the printer, from the same sections."""

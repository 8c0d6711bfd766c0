"""The pit page: a local web page over the logbook, for the minutes between passes."""

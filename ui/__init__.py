"""For people: the command line, the printed report, later the windows."""

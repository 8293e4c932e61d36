"""For people: the command line, the printed report, the windows."""

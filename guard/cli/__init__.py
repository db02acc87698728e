"""The command line: the face of the tool in a terminal and in scripts."""

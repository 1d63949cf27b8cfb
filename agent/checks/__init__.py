"""What is wrong with a site before an outage finds it: its file, its ways, its recipes."""

"""The shell: owns the clock, the sockets, the files and the command line."""

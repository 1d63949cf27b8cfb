"""What people order by hand: pause, stop, start, drills."""

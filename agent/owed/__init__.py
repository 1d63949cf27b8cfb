"""What is owed to devices: kept, copied outside the box, and undone from anywhere."""

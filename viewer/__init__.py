"""What people see and type: the command line, pictures, sheet and window."""

"""What people see and type: command line, window, pictures, sheet, words and sound."""

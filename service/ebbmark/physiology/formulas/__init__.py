"""What the textbook and the trials compute: body size, mechanics, power, gas exchange."""

"""What the pages take from the code: numbers, look-alikes, cures, pictures, commands, words."""

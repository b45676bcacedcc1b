"""Frames put into folders by grade, with a journal that lets everything be put back."""

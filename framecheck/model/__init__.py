"""One model of the night: the physical terms that together must explain all that was measured."""

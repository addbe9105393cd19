"""What other programs may rely on: the shape of every JSON answer, written down once."""

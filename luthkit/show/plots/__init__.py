"""Pictures: each function takes the Axes to draw on, or makes its own, and gives the Axes back."""

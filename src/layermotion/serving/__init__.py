"""What every page that layermotion serves shares: its guard, its server, its texts and files."""

__all__ = ("run", "sentences", "static", "texts")

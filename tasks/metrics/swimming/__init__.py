"""Pool swimming: lengths, distance, strokes, rests, and heart rate under water."""

from tasks.metrics.swimming import counting, heart_rate, rests, strokes

__all__ = ["counting", "heart_rate", "rests", "strokes"]

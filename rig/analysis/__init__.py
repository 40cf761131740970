"""From captures to figures, and from figures to a comparison. Pure: frames in, results out."""

"""Two stages side by side."""

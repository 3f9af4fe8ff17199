"""Files the user writes, checked at the edge and turned into the model's dataclasses."""

"""One folder a stage of the job; the rooms below know none of them."""

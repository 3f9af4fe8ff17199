"""The register: jobs of an invented shop, their files made at once, without a logger."""

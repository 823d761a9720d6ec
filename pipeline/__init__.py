"""What a plugin author imports, and nothing else."""

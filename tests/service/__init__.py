"""Services on a simulated bus in virtual time: what they find out, what they say, and that they send nothing else."""

"""What is planned, and when what is due. Pure."""

"""A chain's consumer: events of many shops landed in one PostgreSQL database."""

"""The shop's record in a database: its schema, its rows, connections and who may write; SQLAlchemy stays here."""

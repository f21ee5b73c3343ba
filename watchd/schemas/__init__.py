"""What `watchd schema` prints: JSON Schema of the files, AsyncAPI of the topics."""

"""What is known of a string: one question a module, pure functions on arrays, a small result or a refusal."""

"""What is published and not served: models, rules and tests that the program's own answers are held against."""

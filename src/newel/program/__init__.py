"""Machine programs as text: words, reader, interpreter, writer and the traits of a dialect."""

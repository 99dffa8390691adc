"""Where sound comes from: files and the microphone, both as an iterator of AudioChunk."""

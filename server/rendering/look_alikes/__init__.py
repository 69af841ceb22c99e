"""What is taken for a finding but is none, one module each (see ``server.rendering.features``)."""

"""The findings, one module each; ``server.rendering.features`` says how to add one."""

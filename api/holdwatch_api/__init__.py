"""The HTTP faces of the service: JSON routes, event stream and bay screen."""

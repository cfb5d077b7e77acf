"""Sites and files put together so that memory stays bounded."""

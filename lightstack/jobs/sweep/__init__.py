"""A sweep made into a light stack and a plate."""

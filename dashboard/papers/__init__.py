"""Papers: what is handed to others, made to be printed; one template sets every one of them."""

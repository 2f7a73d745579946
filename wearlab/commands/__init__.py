"""One command per question, each a thin layer over one public function; a module imports its function when it runs."""

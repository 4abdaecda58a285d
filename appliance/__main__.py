"""`python -m appliance` is the same as `linelamp`."""

from appliance.cli import main

if __name__ == "__main__":
    main()

"""What MicroPython starts at power-up: copied to the top of the board's memory."""

from sensors.board.firmware import main

if __name__ == "__main__":
    main()

//! Drivers of the analog board's converters over [`embedded_hal::spi::SpiDevice`].

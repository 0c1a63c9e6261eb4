//! Drivers of the analog board's converters over [`embedded_hal::spi::SpiDevice`].
//!
//! Register addresses and frames agree with the Linux kernel's drivers for the same parts
//! (`drivers/iio/dac/ad5761.c`, `drivers/iio/adc/ti-ads8688.c`); what does not stand there is marked *from memory* and
//! has to be held against the data sheets before a board is trusted.

pub mod adc;
pub mod dac;

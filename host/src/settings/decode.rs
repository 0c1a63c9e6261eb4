//! Bytes of a legacy code page to text.

use encoding_rs::{DecoderResult, Encoding};

use super::error::{Place, SettingsError};
use crate::sheet::{TextEncoding, line_and_column};

const fn encoding(stated: TextEncoding) -> &'static Encoding {
    match stated {
        TextEncoding::Utf8 => encoding_rs::UTF_8,
        TextEncoding::Utf16Le => encoding_rs::UTF_16LE,
        TextEncoding::Utf16Be => encoding_rs::UTF_16BE,
        TextEncoding::Windows1250 => encoding_rs::WINDOWS_1250,
        TextEncoding::Windows1251 => encoding_rs::WINDOWS_1251,
        TextEncoding::Windows1252 => encoding_rs::WINDOWS_1252,
        TextEncoding::Windows1253 => encoding_rs::WINDOWS_1253,
        TextEncoding::Windows1254 => encoding_rs::WINDOWS_1254,
        TextEncoding::Windows1255 => encoding_rs::WINDOWS_1255,
        TextEncoding::Windows1256 => encoding_rs::WINDOWS_1256,
        TextEncoding::Windows1257 => encoding_rs::WINDOWS_1257,
        TextEncoding::Windows1258 => encoding_rs::WINDOWS_1258,
        TextEncoding::ShiftJis => encoding_rs::SHIFT_JIS,
    }
}

/// The text of a file. A byte order mark wins over the stated encoding and is no part of the text.
pub(super) fn decode(file: &str, bytes: &[u8], stated: TextEncoding) -> Result<String, SettingsError> {
    let (encoding, mark) = Encoding::for_bom(bytes).unwrap_or((encoding(stated), 0));
    let bytes = bytes.get(mark..).unwrap_or_default();
    let mut decoder = encoding.new_decoder_without_bom_handling();
    let most = decoder.max_utf8_buffer_length_without_replacement(bytes.len());
    // The input is limited, so that the output is too: four bytes for one at most.
    let mut text = String::with_capacity(most.unwrap_or(0));
    let (result, _) = decoder.decode_to_string_without_replacement(bytes, &mut text, true);
    let place = |at: &str| {
        let (line, column) = line_and_column(at, at.len());
        Place { file: file.to_owned(), line, column }
    };
    if result != DecoderResult::InputEmpty {
        return Err(SettingsError::Encoding { place: place(&text), encoding: encoding.name() });
    }
    // One-byte code pages take any byte: UTF-16 read as one of them is full of these.
    if let Some(at) = text.find('\0') {
        let before = text.get(..at).unwrap_or_default();
        return Err(SettingsError::Encoding { place: place(before), encoding: encoding.name() });
    }
    Ok(text)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Code points of these bytes: mapping tables of the WHATWG Encoding Standard (index-windows-1252, index-jis0208),
    // from memory; 0x83 0x65 0x83 0x58 0x83 0x67 is the usual example of katakana in Shift_JIS.
    #[test]
    fn bytes_of_legacy_code_pages_become_their_letters() {
        for (bytes, stated, text) in [
            (&b"Gr\xF6\xDFe \x80"[..], TextEncoding::Windows1252, "Größe €"),
            (b"\xC4\xEB\xE8\xED\xE0", TextEncoding::Windows1251, "Длина"),
            (b"\x83\x65\x83\x58\x83\x67", TextEncoding::ShiftJis, "テスト"),
            (b"\xFF\xFEA\0;\0", TextEncoding::Windows1252, "A;"),
            (b"\xFE\xFF\0A\0;", TextEncoding::Utf8, "A;"),
            (b"A\0;\0", TextEncoding::Utf16Le, "A;"),
            (b"\xEF\xBB\xBFA;", TextEncoding::Windows1252, "A;"),
        ] {
            assert_eq!(decode("t.csv", bytes, stated).unwrap(), text);
        }
    }

    #[test]
    fn a_wrong_byte_is_refused_with_its_line_and_column() {
        for (bytes, stated, shown) in [
            (&b"a;b\ncd\xF6;e"[..], TextEncoding::Utf8, "t.csv:2:3: not UTF-8"),
            (b"A\0;\0", TextEncoding::Windows1252, "t.csv:1:2: not windows-1252"),
            (b"a;\n\x81", TextEncoding::ShiftJis, "t.csv:2:1: not Shift_JIS"),
        ] {
            let error = decode("t.csv", bytes, stated).unwrap_err().to_string();
            assert!(error.starts_with(shown), "{error}");
        }
    }
}

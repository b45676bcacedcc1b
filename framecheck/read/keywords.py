"""The dictionary: which keywords carry which of our facts, the one to trust most first.

To teach framecheck another camera's words, add them here. A fact whose value needs only a range check is read by
the table in `header.py`; times, places on the sky and the pixel grid have rules of their own beside it.
Sources: FITS Standard 3.0; Rots et al. 2015, A&A 574, A36 (times); the rest is common practice of cameras, capture
programs and observatories, as met in their files.
"""

from typing import Final

# What was exposed
TARGET: Final = ("OBJECT", "OBJNAME", "TARGNAME", "TARGET", "FIELD")
FILTER: Final = ("FILTER", "FILTNAM", "FILTNAME", "FILTER1", "FILT", "INSFILTE")
KIND: Final = ("IMAGETYP", "FRAME", "FRAMETYP", "OBSTYPE", "IMTYPE", "IMGTYPE", "EXPTYPE", "OBS_TYPE")
KIND_NUMBER: Final = ("PICTTYPE",)
EXPOSURE: Final = ("EXPTIME", "EXPOSURE", "XPOSURE", "EXP_TIME", "EXPOSED", "ITIME")

# When
START: Final = ("DATE-BEG", "DATE-OBS", "DATEOBS", "DATE_OBS")
MIDDLE: Final = ("DATE-AVG", "DATE-MID")
END: Final = ("DATE-END",)
CLOCK: Final = (
    "TIME-OBS",
    "TIME-BEG",
    "UT-OBS",
    "UTC-OBS",
    "UTSTART",
    "UTCSTART",
    "TIME-UT",
    "UTC",
    "UT",
    "TM-START",
    "TIME",
)
UT_CLOCK: Final = ("UT-OBS", "UTC-OBS", "UTSTART", "UTCSTART", "TIME-UT", "UTC", "UT")
LOCAL: Final = ("DATE-LOC",)
MJD_START: Final = ("MJD-BEG", "MJD-OBS", "MJD")
MJD_MIDDLE: Final = ("MJD-AVG", "MJD-MID")
JD_START: Final = ("JD", "JD-OBS", "JULDATE")
JD_MIDDLE: Final = ("JD-MID", "JD_MID", "MIDTIMJD")

# Camera and optics
CAMERA: Final = ("INSTRUME", "CAMERA", "CAM-MOD", "CAMMODEL", "DETNAM")
TELESCOPE: Final = ("TELESCOP",)
FOCAL_LENGTH: Final = ("FOCALLEN", "FOCLEN", "FOCAL")
APERTURE: Final = ("APTDIA", "APERDIA", "TELAPER", "APERTURE")
BINNING_X: Final = ("XBINNING", "BINX", "CCDXBIN", "XFACTOR", "BINNING", "CCDSUM")
BINNING_Y: Final = ("YBINNING", "BINY", "CCDYBIN", "YFACTOR", "BINNING", "CCDSUM")
PIXEL_OF_FILE: Final = ("XPIXSZ",)
PIXEL_OF_FILE_Y: Final = ("YPIXSZ",)
PIXEL_OF_SENSOR: Final = ("PIXSIZE1", "PIXSIZE", "CCDXPIXE")
SCALE: Final = ("SECPIX", "SECPIX1", "SECPIXX", "IM_SCALE", "PIXSCALE", "SCALE")
GAIN: Final = ("EGAIN", "CCDGAIN", "ATODGAIN", "SYSGAIN")
GAIN_OR_SETTING: Final = ("GAIN",)
GAIN_SETTING: Final = ("CAM-GAIN", "GAINSET", "ISO", "ISOSPEED")
OFFSET_SETTING: Final = ("OFFSET", "BLKLEVEL", "BLACKLVL")
PEDESTAL: Final = ("PEDESTAL",)
PROCESSED: Final = ("CALSTAT", "ZEROCOR", "BIASCOR", "DARKCOR", "BIASSUB", "DARKSUB", "BIASFRM", "BIASFILE", "DARKFILE")
READ_NOISE: Final = ("RDNOISE", "READNOIS", "READNOISE", "ENOISE", "RONOISE", "RON", "CCDRON", "RDNSE")
AMPLIFIER_GAIN: Final = r"(?:A?GAIN|EGAIN)_?0?(\d)"
"""Gain of one of several amplifiers. A pattern, whose group is the amplifier's number."""
AMPLIFIER_NOISE: Final = r"(?:ARDNS|RDNOISE?|RDNOIS|READNOI|RON|RDNSE)_?0?(\d)"
AMPLIFIER_USED: Final = r"AAMP_0?(\d)"
"""1 for an amplifier that was used."""
SATURATION: Final = ("SATURATE", "SATLEVEL", "SATURATN", "MAXLIN")
SENSOR_TEMPERATURE: Final = ("CCD-TEMP", "CCDTEMP", "CCDATEMP", "DETTEMP", "DET-TEMP", "CAMTEMP", "SET-TEMP")
TUBE_TEMPERATURE: Final = (
    "FOCUSTEM",
    "FOCTEMP",
    "FOCUSTMP",
    "FOC-TEMP",
    "TUBETEMP",
    "TELTEMP",
    "AMBTEMP",
    "AMB-TEMP",
    "TEMPERT",
    "TEMP_IN",
    "DOMETEMP",
    "AIRTEMP",
    "TEMP_OUT",
    "OUTTEMP",
)
TEMPERATURE_UNIT: Final = ("TEMPUNIT", "TEMPUNT", "TEMP-UNT", "TMPUNIT")
FOCUSER: Final = ("FOCUSPOS", "FOCPOS", "FOC-POS", "FOCUS", "TELFOCUS", "CAMFOCUS")
BAYER: Final = ("BAYERPAT", "BAYRPAT", "COLORTYP", "CFAPAT", "CFATYPE")
BAYER_OFFSET_X: Final = ("XBAYROFF", "BAYOFFX")
BAYER_OFFSET_Y: Final = ("YBAYROFF", "BAYOFFY")
ROW_ORDER: Final = ("ROWORDER",)
LIGHT_SECTION: Final = ("TRIMSEC", "TRIM01", "TRIMSEC1", "DATASEC", "DATASEC1")
OVERSCAN_SECTION: Final = ("BIASSEC", "BIAS01", "BIASSEC1")

# Where on the sky, and from where on Earth
RA_HOURS: Final = ("OBJCTRA", "OBJRA")
DEC_OF_RA_HOURS: Final = ("OBJCTDEC", "OBJDEC")
RA: Final = ("RA", "RA_OBJ", "RA-TEL", "TELRA", "RA_PNT", "RA-MNT", "CAT-RA")
DEC: Final = ("DEC", "DEC_OBJ", "DEC-TEL", "TELDEC", "DEC_PNT", "DEC-MNT", "CAT-DEC")
ALTITUDE: Final = ("OBJCTALT", "CENTALT", "TELALT", "TEL-ALT", "ALT-OBJ")
ALTITUDE_OR_ELEVATION: Final = ("ALTITUDE", "ELEVATIO", "ALT", "EL")
ZENITH_DISTANCE: Final = ("ZD", "ZA", "ZENDIST")
AZIMUTH: Final = ("OBJCTAZ", "CENTAZ", "TELAZ", "TEL-AZ", "AZIMUTH", "AZ")
AIRMASS: Final = ("AIRMASS", "SECZ")
HOUR_ANGLE: Final = ("HA", "TELEHA", "OBJCTHA", "HA-MNT", "HA-OBS")
SIDEREAL_TIME: Final = ("LST", "LST-OBS", "ST", "SIDTIME")
PIER_SIDE: Final = ("PIERSIDE", "PIER-SID", "SIDEPIER")
LATITUDE: Final = ("SITELAT", "LAT-OBS", "OBSGEO-B", "LATITUDE", "OBSLAT", "LAT", "GEOLAT")
LONGITUDE: Final = (
    "SITELONG",
    "SITELON",
    "LONG-OBS",
    "LON-OBS",
    "OBSGEO-L",
    "LONGITUD",
    "OBSLONG",
    "LONG",
    "LON",
    "GEOLON",
)
GEOCENTRIC: Final = ("OBSGEO-X", "OBSGEO-Y", "OBSGEO-Z")

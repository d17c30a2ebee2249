"""Which headings mean which field, in English, German, French and Japanese; case, blanks, accents and signs ignored.

It never looks at the cells below a heading. A target is a field of the sheet's own table, or, in a units sheet,
`sites.FIELD` and `parts.KIND.FIELD`.
"""

from __future__ import annotations

import re
import unicodedata

# Field → headings besides the field's own name.
_SITES = {
    "site": "site code; site id; site no; site number; standort; standortcode; standort-nr; standortnummer; "
    "code site; code du site; lieu; 拠点; 拠点コード; 施設コード; 施設番号; 施設ID",
    "name": "site name; location name; standortname; bezeichnung; nom; nom du site; nom du lieu; 名称; 施設名; 拠点名; "
    "施設名称",
    "address": "street address; postal address; adresse; anschrift; adresse postale; 住所; 所在地",
    "latitude": "lat; breite; breitengrad; geographische breite; 緯度",
    "longitude": "lon; lng; long; länge; längengrad; geographische länge; 経度",
    "time_zone": "timezone; tz; zeitzone; fuseau; fuseau horaire; 時間帯; タイムゾーン",
    "country": "country code; land; ländercode; pays; code pays; 国; 国コード",
    "subdivision": "state code; province code; bundesland; département",
    "site_type": "kind of site; type; standortart; art des standorts; type de site; 施設種別; 施設区分",
    "monthly_celsius": "monthly mean temperatures; mean temperatures; monatsmittel; monatsmitteltemperaturen; "
    "températures mensuelles; températures moyennes mensuelles; 月別平均気温",
    "responders": "responders wanted; trained people; trained people wanted; first aiders; first aiders wanted; "
    "ersthelfer; anzahl ersthelfer; secouristes; nombre de secouristes; 救命講習修了者数; 必要人数",
    "notes": "note; remarks; remark; comment; comments; bemerkung; bemerkungen; notiz; notizen; remarque; remarques; "
    "commentaire; 備考; メモ",
}

_UNITS = {
    "unit": "unit code; unit id; unit no; code; asset; asset no; asset number; asset id; inventory number; aed; "
    "aed id; aed no; defibrillator; gerät; gerätenummer; geräte-nr; gerätecode; inventarnummer; inventar-nr; aed-nr; "
    "appareil; code appareil; numéro d'inventaire; code dae; dae; 機器番号; 管理番号; 機器コード; AED番号; 台帳番号",
    "site": _SITES["site"],
    "spot": "location; position; placement; where; place in building; stelle; platz; aufstellort; aufstellungsort; "
    "emplacement; 設置位置; 設置場所",
    "floor": "level; storey; etage; stockwerk; geschoss; étage; niveau; 階; 階数; フロア",
    "model": "device model; type; modell; gerätetyp; typ; modèle; 機種; 型式; モデル; 機種名",
    "serial": "serial no; serial number; s/n; sn; seriennummer; serien-nr; numéro de série; no de série; n° de série; "
    "製造番号; シリアル番号; シリアル",
    # Not kept itself: it fills serial and made_on.
    "udi": "device udi; udi of the device; unique device identifier; udi gerät; udi appareil; 機器udi",
    "made_on": "date of manufacture; manufacture date; manufactured; manufactured on; herstelldatum; "
    "herstellungsdatum; hergestellt am; date de fabrication; fabriqué le; 製造日; 製造年月; 製造年月日",
    "in_service_on": "in service since; in service date; installed; installed on; installation date; commissioned; "
    "commissioned on; inbetriebnahme; in betrieb seit; in betrieb genommen am; installiert am; mise en service; "
    "date de mise en service; date d'installation; installé le; 設置日; 設置年月日; 使用開始日; 運用開始日",
    "firmware": "software; software version; firmware version; version logicielle; logiciel; ソフトウェア; バージョン",
    "latitude": _SITES["latitude"],
    "longitude": _SITES["longitude"],
    "cabinet": "box; case; schrank; kasten; wandkasten; armoire; boîtier; coffret; 収納; 収納箱; 収納ボックス",
    "registered_with": "register; registry; registered at; registriert bei; gemeldet bei; enregistré auprès de; "
    "déclaré auprès de; 登録先; 届出先",
    "registered_on": "registration date; registriert am; gemeldet am; enregistré le; déclaré le; 登録日; 届出日",
    # Not kept themselves: bad news becomes an entry of the log.
    "status": "state; condition; unit status; device status; aed status; operational status; service status; "
    "in service; operational; working; functional; functioning; available; active; zustand; betriebszustand; "
    "betriebsstatus; gerätestatus; einsatzbereit; einsatzbereitschaft; betriebsbereit; funktionsfähig; "
    "funktionstüchtig; in betrieb; verfügbar; aktiv; statut; état; état de fonctionnement; en service; fonctionnel; "
    "opérationnel; disponible; actif; 状態; 状況; 稼働状況; 使用状況; 使用可否; 稼働",
    # A no here is good news; a day is the day since when.
    "out_of_service": "withdrawn; out of service since; out of service on; withdrawn on; withdrawn since; "
    "decommissioned; decommissioned on; retired; retired on; removed; removed on; disposed of on; "
    "defective; broken; faulty; inactive; außer betrieb; außer betrieb seit; ausser betrieb; ausser betrieb seit; "
    "ausgemustert; ausgemustert am; stillgelegt; stillgelegt am; außerbetriebnahme; defekt; defekt seit; gesperrt; "
    "gesperrt seit; hors service; hors service depuis; hors service le; en panne; en panne depuis; retiré; retiré le; "
    "date de retrait; défectueux; 使用停止; 使用停止日; 撤去日; 廃止日; 故障",
    "notes": _SITES["notes"],
    # A units sheet may say where a unit stands.
    "sites.name": "name; " + _SITES["name"] + "; building; facility; gebäude; objekt; bâtiment; établissement",
    "sites.address": "address; " + _SITES["address"],
    "sites.time_zone": "time_zone; " + _SITES["time_zone"],
    "sites.country": "country; " + _SITES["country"],
    "sites.subdivision": "subdivision; " + _SITES["subdivision"],
    "sites.site_type": "site_type; kind of site; standortart; art des standorts; type de site; 施設種別; 施設区分",
}

# And what is in it. Pads of which nobody says for whom are taken as those for adults, which is announced.
_EXPIRY = {
    "pads-adult": "adult pads; pads adult; pads; electrodes; adult electrodes; elektroden; elektroden erwachsene; "
    "pads erwachsene; électrodes; électrodes adulte; électrodes adultes; パッド; 電極パッド; 成人用パッド; "
    "パッド(成人)",
    "pads-child": "child pads; pads child; paediatric pads; pediatric pads; children's pads; elektroden kinder; "
    "kinderelektroden; pads kinder; électrodes enfant; électrodes enfants; électrodes pédiatriques; 小児用パッド; "
    "パッド(小児)",
    "pads-universal": "universal pads; pads universal; universalelektroden; électrodes universelles; "
    "共用パッド; 兼用パッド",
    "battery": "battery; batterie; akku; pile; バッテリー; バッテリ; 電池",
}
_PART_FIELDS = {
    "label_date": "{} expiry; {} expiry date; {} expires; {} expires on; {} expiration; {} expiration date; {} use by; "
    "{} label date; {} good until; {} best before; {} ablauf; {} ablaufdatum; {} verfall; {} verfallsdatum; "
    "{} verfalldatum; {} haltbar bis; {} gültig bis; {} bis; ablauf {}; ablaufdatum {}; verfallsdatum {}; "
    "péremption {}; date de péremption {}; péremption des {}; péremption de la {}; date de péremption des {}; "
    "date de péremption de la {}; date péremption {}; {} péremption; {} date de péremption; expiry {}; "
    "{}使用期限; {}有効期限; {}期限; {}の使用期限; {}の有効期限; {}交換期限",
    "lot": "{} lot; {} lot number; {} lot no; {} batch; {} charge; {} chargennummer; lot {}; lot des {}; "
    "lot de la {}; {}ロット; {}ロット番号",
    "fitted_on": "{} fitted; {} fitted on; {} installed; {} installed on; {} installation date; {} changed on; "
    "{} replaced on; {} eingesetzt; {} eingesetzt am; {} eingebaut am; {} gewechselt am; pose {}; date de pose {}; "
    "{} posée le; {} posées le; {}装着日; {}交換日; {}取付日",
    "udi": "{} udi; udi {}; {} barcode; {} bar code; {} strichcode; code-barres {}; {}バーコード",
}

_PARTS = {
    "unit": _UNITS["unit"],
    "site": _SITES["site"],
    "kind": "part; part kind; type; item; teil; art; bauteil; pièce; type de pièce; consommable; 部品; 種類; 種別; "
    "消耗品",
    "state": "status; use; zustand; verwendung; état; usage; 状態; 区分",
    "lot": "lot no; lot number; batch; batch no; charge; chargennummer; chargen-nr; lotnummer; numéro de lot; "
    "n° de lot; ロット; ロット番号",
    "label_date": "expiry; expiry date; expires; expires on; expiration; expiration date; use by; use-by date; "
    "good until; date on label; ablauf; ablaufdatum; verfall; verfallsdatum; verfalldatum; haltbar bis; gültig bis; "
    "péremption; date de péremption; expire le; à utiliser avant; 使用期限; 有効期限; 期限",
    "fitted_on": "fitted; date fitted; installed; installed on; in use since; eingesetzt; eingesetzt am; eingebaut am; "
    "posé le; posée le; installé le; date de pose; 装着日; 取付日; 交換日",
    "udi": "device identifier; barcode; bar code; code-barres; strichcode; バーコード",
    "cost": "price; kosten; preis; coût; prix; 費用; 価格",
}

_PEOPLE = {
    "person": "person code; person id; id; code; staff number; personalnummer; kürzel; personne; code personne; "
    "職員番号; 担当者コード; 担当者ID",
    "name": "full name; vollständiger name; nom; nom complet; 氏名; 名前; 担当者名",
    "email": "e-mail; mail; email address; mailadresse; e-mail-adresse; courriel; adresse mail; adresse e-mail; "
    "メール; メールアドレス",
    "phone": "telephone; telephone number; phone number; mobile; telefon; telefonnummer; handy; téléphone; "
    "電話; 電話番号",
    "roles": "role; rolle; rollen; funktion; rôle; rôles; fonction; 役割; 役職",
    "sites": "site; sites looked after; standort; standorte; lieux; 拠点; 担当施設; 担当拠点",
    "language": "lang; sprache; langue; 言語",
    "time_zone": _SITES["time_zone"],
    "left_on": "left; last day; leaving date; date of leaving; ausgeschieden; ausgeschieden am; "
    "letzter tag; austritt; parti le; départ; date de départ; dernier jour; 退職日; 離任日; 最終日",
}

_TRAINING = {
    "person": _PEOPLE["person"],
    "certificate": "course; training; qualification; zertifikat; kurs; schulung; nachweis; attestation; certificat; "
    "formation; 資格; 講習; 修了証",
    "issued_on": "issued; date issued; issue date; date; ausgestellt am; ausstellungsdatum; datum; délivré le; "
    "date de délivrance; 発行日; 受講日; 修了日",
    "valid_to": "valid until; valid till; expires; expires on; expiry; expiry date; gültig bis; ablaufdatum; "
    "valable jusqu'au; valide jusqu'au; expire le; 有効期限; 有効期間",
}

_LOG = {
    "unit": _UNITS["unit"],
    "at": "time; date; when; date and time; datetime; zeit; zeitpunkt; datum; date et heure; heure; quand; 日時; 日付",
    "entry": "event; what; kind; eintrag; ereignis; art; événement; évènement; entrée; type; 記録; 内容; 種別",
    "by": "person; who; done by; checked by; von; durch; geprüft von; par; qui; 担当者; 実施者; 点検者",
    "readings": "reading; ablesung; ablesungen; messwerte; relevés; relevé; 点検結果; 表示",
    "part": "part details; teil; pièce; 部品",
    "note": _SITES["notes"] + "; notes",
    # Of exports: the entry's number there, and that of the one it corrects.
    "number": "entry number; entry id",
    "strikes": "corrects; corrects entry",
}

_ROTA = {
    "person": _PEOPLE["person"] + "; who; on call; wer; qui; 担当者",
    "from": "start; begin; begins; starts; since; von; ab; beginn; de; début; depuis; à partir de; 開始; 開始日時; "
    "開始日",
    "until": "end; ends; to; bis; ende; fin; jusqu'à; jusqu'au; au; 終了; 終了日時; 終了日",
}

_ABSENCES = {
    "person": _ROTA["person"],
    "from": "start; begin; begins; starts; first day; from day; von; ab; beginn; erster tag; de; début; premier jour; "
    "à partir de; 開始; 開始日",
    "until": "end; ends; to; last day; until day; bis; ende; letzter tag; fin; jusqu'au; au; "
    "dernier jour; 終了; 終了日",
    "note": _SITES["notes"] + "; notes; why; reason; grund; motif; 理由",
}

_CLOSURES = {
    "site": _SITES["site"],
    "from": _ABSENCES["from"],
    "until": _ABSENCES["until"],
    "every_year": "each year; yearly; annual; season; jedes jahr; jährlich; chaque année; annuel; 毎年",
    "reason": "why; note; notes; remark; remarks; grund; bemerkung; motif; raison; remarque; 理由; 備考",
}

_SHEETS = {
    "sites": "site; locations; standorte; lieux; sites d'installation; 拠点; 施設; 施設一覧; 拠点一覧",
    "units": "unit; defibrillators; aeds; aed; geräte; defibrillatoren; appareils; défibrillateurs; dae; "
    "機器; 機器一覧; AED一覧; 設置一覧",
    "parts": "part; consumables; pads and batteries; teile; verbrauchsmaterial; pièces; consommables; 部品; 消耗品; "
    "部品一覧; 消耗品一覧",
    "people": "persons; contacts; staff; personen; kontakte; personnes; contacts et rôles; 担当者; 担当者一覧; 人員",
    "training": "certificates; courses; schulungen; schulung; zertifikate; formations; formation; attestations; "
    "講習; 資格; 研修",
    "log": "checks; history; protokoll; prüfungen; verlauf; journal; contrôles; historique; 点検記録; 記録; 履歴",
    "rota": "on call; on-call rota; duty rota; dienstplan; bereitschaft; bereitschaftsplan; astreinte; astreintes; "
    "planning; 当番; 当番表; 勤務表",
    "absences": "absence; leave; away; on leave; vacation; abwesenheit; abwesenheiten; urlaub; congés; 休暇; 不在",
    "closures": "closure; closed; closing; closing days; closing times; schließung; schließungen; schließzeiten; "
    "fermeture; fermetures; 休業; 休館; 閉鎖",
}


def normal(heading: str) -> str:
    """What is left of a heading when case, widths, blanks, accents and signs are ignored."""
    text = unicodedata.normalize("NFKC", heading).casefold()
    if not text.isascii():
        # Accents of Latin letters go; the voicing marks of kana, which tell words apart, stay.
        text = "".join(char for char in unicodedata.normalize("NFD", text) if not "\u0300" <= char <= "\u036f")
        text = unicodedata.normalize("NFC", text)
    return re.sub(r"[\W_]+", "", text.replace("ß", "ss"))


def targets(table: str) -> dict[str, str]:
    """Normalised heading → target, for the sheets of one table."""
    return _TARGETS[table]


def table_of(name: str) -> str | None:
    """The table that a sheet or file of that name holds; None where the name says nothing."""
    return _TABLES.get(normal(name))


def _spread(fields: dict[str, str]) -> dict[str, str]:
    found: dict[str, str] = {}
    for name, others in fields.items():
        for heading in (name, *others.split(";")):
            found.setdefault(normal(heading), name)
    # A field's own name always means that field.
    return found | {normal(name): name for name in fields}


def _part_headings() -> dict[str, str]:
    return {
        f"parts.{kind}.{name}": ";".join(
            pattern.replace("{}", word.strip()) for word in words.split(";") for pattern in patterns.split(";")
        )
        for kind, words in _EXPIRY.items()
        for name, patterns in _PART_FIELDS.items()
    }


_TARGETS = {
    "sites": _spread(_SITES),
    "units": _spread(_UNITS | _part_headings()),
    "parts": _spread(_PARTS),
    "people": _spread(_PEOPLE),
    "training": _spread(_TRAINING),
    "log": _spread(_LOG),
    "rota": _spread(_ROTA),
    "absences": _spread(_ABSENCES),
    "closures": _spread(_CLOSURES),
}
_TABLES = _spread(_SHEETS)

package reckon

// identifierTable is the GS1 Barcode Syntax Dictionary (repository gs1/gs1-syntax-dictionary, commit ff2eb4bfc8f647aa3244626bdb875165d067a3e6 of
// 27 July 2026), with titles, comments and blanks taken out. Copyright (c) 2020-2021 BWIPP project, 2020-2021 Zint Project, 2021-2025 GS1 AISBL;
// Apache License 2.0, whose text lies beside this file. A line is: identifier or range; flags, * for a length that needs no separator after it and ?
// for one that may be an attribute of a Digital Link; the components of the value; then req= what it needs, ex= what it excludes, and dlpkey for a
// key of a Digital Link with its qualifiers in order.
const identifierTable = `
00 *? N18,csum,gcppos2 dlpkey
01 *? N14,csum,gcppos2 ex=255,37 dlpkey=22,10,21|235
02 *? N14,csum,gcppos2 ex=01,03 req=37
03 * N14,csum,gcppos2 ex=01,02,37,235
10 ? X..20 req=01,02,03,8006,8026
11 *? N6,yymmd0 req=01,02,03,8006,8026
12 *? N6,yymmd0 req=8020
13 *? N6,yymmd0 req=01,02,03,8006,8026
15 *? N6,yymmd0 req=01,02,03,8006,8026
16 *? N6,yymmd0 req=01,02,03,8006,8026
17 *? N6,yymmd0 req=01,02,03,255,8006,8026
20 *? N2 req=01,02,03,8006,8026
21 X..20 req=01,03,8006 ex=235
22 X..20 req=01
235 X..28 req=01
240 ? X..30 req=01,02,03,8006,8026
241 ? X..30 req=01,02,03,8006,8026
242 ? N..6 req=01,02,8006,8026
243 ? X..20 req=01,03
250 ? X..30 req=01+21,03+21,8006+21
251 ? X..30 req=01,03,8006
253 ? N13,csum,gcppos1 [X..17] dlpkey
254 X..20 req=414
255 ? N13,csum,gcppos1 [N..12] dlpkey ex=01,02,415,8006,8020,8026
30 ? N..8 req=01,02
3100-3105 *? N6 req=01,02 ex=310n
3110-3115 *? N6 req=01,02 ex=311n
3120-3125 *? N6 req=01,02 ex=312n
3130-3135 *? N6 req=01,02 ex=313n
3140-3145 *? N6 req=01,02 ex=314n
3150-3155 *? N6 req=01,02 ex=315n
3160-3165 *? N6 req=01,02 ex=316n
3200-3205 *? N6 req=01,02 ex=320n
3210-3215 *? N6 req=01,02 ex=321n
3220-3225 *? N6 req=01,02 ex=322n
3230-3235 *? N6 req=01,02 ex=323n
3240-3245 *? N6 req=01,02 ex=324n
3250-3255 *? N6 req=01,02 ex=325n
3260-3265 *? N6 req=01,02 ex=326n
3270-3275 *? N6 req=01,02 ex=327n
3280-3285 *? N6 req=01,02 ex=328n
3290-3295 *? N6 req=01,02 ex=329n
3300-3305 *? N6 req=00,01 ex=330n
3310-3315 *? N6 req=00,01 ex=331n
3320-3325 *? N6 req=00,01 ex=332n
3330-3335 *? N6 req=00,01 ex=333n
3340-3345 *? N6 req=00,01 ex=334n
3350-3355 *? N6 req=00,01 ex=335n
3360-3365 *? N6 req=00,01 ex=336n
3370-3375 *? N6 req=01 ex=337n
3400-3405 *? N6 req=00,01 ex=340n
3410-3415 *? N6 req=00,01 ex=341n
3420-3425 *? N6 req=00,01 ex=342n
3430-3435 *? N6 req=00,01 ex=343n
3440-3445 *? N6 req=00,01 ex=344n
3450-3455 *? N6 req=00,01 ex=345n
3460-3465 *? N6 req=00,01 ex=346n
3470-3475 *? N6 req=00,01 ex=347n
3480-3485 *? N6 req=00,01 ex=348n
3490-3495 *? N6 req=00,01 ex=349n
3500-3505 *? N6 req=01,02 ex=350n
3510-3515 *? N6 req=01,02 ex=351n
3520-3525 *? N6 req=01,02 ex=352n
3530-3535 *? N6 req=00,01 ex=353n
3540-3545 *? N6 req=00,01 ex=354n
3550-3555 *? N6 req=00,01 ex=355n
3560-3565 *? N6 req=01,02 ex=356n
3570-3575 *? N6 req=01,02 ex=357n
3600-3605 *? N6 req=01,02 ex=360n
3610-3615 *? N6 req=01,02 ex=361n
3620-3625 *? N6 req=00,01 ex=362n
3630-3635 *? N6 req=00,01 ex=363n
3640-3645 *? N6 req=01,02 ex=364n
3650-3655 *? N6 req=01,02 ex=365n
3660-3665 *? N6 req=01,02 ex=366n
3670-3675 *? N6 req=00,01 ex=367n
3680-3685 *? N6 req=00,01 ex=368n
3690-3695 *? N6 req=00,01 ex=369n
37 ? N..8 req=00+02,00+8026
3900-3909 ? N..15 req=255,8020 ex=390n,391n,394n,8111
3910-3919 ? N3,iso4217 N..15 req=8020 ex=391n
3920-3929 ? N..15 req=01+30,01+31nn,01+32nn,01+35nn,01+36nn ex=392n,393n
3930-3939 ? N3,iso4217 N..15 req=30,31nn,32nn,35nn,36nn ex=393n
3940-3943 ? N4 req=255 ex=394n,8111
3950-3955 ? N6 req=30,31nn,32nn,35nn,36nn ex=392n,393n,395n,8005
400 ? X..30
401 ? X..30,gcppos1 dlpkey
402 ? N17,csum,gcppos1 dlpkey
403 ? X..30 req=00
410 *? N13,csum,gcppos1
411 *? N13,csum,gcppos1
412 *? N13,csum,gcppos1
413 *? N13,csum,gcppos1
414 *? N13,csum,gcppos1 dlpkey=254|7040
415 *? N13,csum,gcppos1 req=8020 dlpkey=8020
416 *? N13,csum,gcppos1
417 *? N13,csum,gcppos1 dlpkey=7040
420 ? X..20 ex=421
421 ? N3,iso3166 X..9 ex=4307
422 ? N3,iso3166 req=01,02,03,8006,8026 ex=426
423 ? N3,iso3166 [N3],iso3166 [N3],iso3166 [N3],iso3166 [N3],iso3166 req=01,02,03 ex=426
424 ? N3,iso3166 req=01,02,03 ex=426
425 ? N3,iso3166 [N3],iso3166 [N3],iso3166 [N3],iso3166 [N3],iso3166 req=01,02,03 ex=426
426 ? N3,iso3166 req=01,02,03
427 ? X..3 req=01+422,02+422,03+422
4300 ? X..35,pcenc req=00
4301 ? X..35,pcenc req=00
4302 ? X..70,pcenc req=00
4303 ? X..70,pcenc req=4302
4304 ? X..70,pcenc req=00
4305 ? X..70,pcenc req=00
4306 ? X..70,pcenc req=00
4307 ? X2,iso3166alpha2 req=00
4308 ? X..30 req=00
4309 ? N10,latitude N10,longitude req=00
4310 ? X..35,pcenc req=00
4311 ? X..35,pcenc req=00
4312 ? X..70,pcenc req=00
4313 ? X..70,pcenc req=4312
4314 ? X..70,pcenc req=00
4315 ? X..70,pcenc req=00
4316 ? X..70,pcenc req=00
4317 ? X2,iso3166alpha2 req=00
4318 ? X..20 req=00
4319 ? X..30 req=00
4320 ? X..35,pcenc req=00
4321 ? N1,yesno req=00
4322 ? N1,yesno req=00
4323 ? N1,yesno req=00
4324 ? N6,yymmd0 N4,hhmi req=00
4325 ? N6,yymmd0 N4,hhmi req=00
4326 ? N6,yymmdd req=00
4330 ? N6 [X1],hyphen req=00 ex=4331
4331 ? N6 [X1],hyphen req=00 ex=4330
4332 ? N6 [X1],hyphen req=00 ex=4333
4333 ? N6 [X1],hyphen req=00 ex=4332
7001 ? N13 req=01,02,8006,8026
7002 ? X..30 req=01,02
7003 ? N6,yymmdd N4,hhmi req=01,02,03
7004 ? N..4 req=01+10,03+10
7005 ? X..12 req=01,02
7006 ? N6,yymmdd req=01,02
7007 ? N6,yymmdd [N6],yymmdd req=01,02
7008 ? X..3 req=01,02
7009 ? X..10 req=01,02
7010 ? X..2 req=01,02,03
7011 ? N6,yymmdd [N4],hhmi req=01,02,03
7020 ? X..20 req=01+416,03+416,8006+416
7021 ? X..20 req=01,03,8006
7022 ? X..20 req=01+7021,03+7021,8006+7021
7023 ? X..30,gcppos1
7030 ? N3,iso3166999 X..27 req=01,02
7031 ? N3,iso3166999 X..27 req=01,02
7032 ? N3,iso3166999 X..27 req=01,02
7033 ? N3,iso3166999 X..27 req=01,02
7034 ? N3,iso3166999 X..27 req=01,02
7035 ? N3,iso3166999 X..27 req=01,02
7036 ? N3,iso3166999 X..27 req=01,02
7037 ? N3,iso3166999 X..27 req=01,02
7038 ? N3,iso3166999 X..27 req=01,02
7039 ? N3,iso3166999 X..27 req=01,02
7040 N1 X1 X1 X1,importeridx
7041 X..4,packagetype req=00
710 ? X..20 req=01
711 ? X..20 req=01
712 ? X..20 req=01
713 ? X..20 req=01
714 ? X..20 req=01
715 ? X..20 req=01
716 ? X..20 req=01
717 ? X..20 req=01
7230 ? X2 X..28 req=01,8004
7231 ? X2 X..28 req=01,8004
7232 ? X2 X..28 req=01,8004
7233 ? X2 X..28 req=01,8004
7234 ? X2 X..28 req=01,8004
7235 ? X2 X..28 req=01,8004
7236 ? X2 X..28 req=01,8004
7237 ? X2 X..28 req=01,8004
7238 ? X2 X..28 req=01,8004
7239 ? X2 X..28 req=01,8004
7240 ? X..20 req=01,8006 ex=03
7241 ? N2,mediatype req=8017,8018
7242 ? X..25 req=8017,8018
7250 ? N8,yyyymmdd req=8018 ex=7251
7251 ? N8,yyyymmdd N4,hhmi req=8018 ex=7250
7252 ? N1,iso5218 req=8018
7253 ? X..40,pcenc req=8017,8018 ex=7256,7259
7254 ? X..40,pcenc req=8017,8018 ex=7256,7259
7255 ? X..10 req=8017,8018 ex=7256,7259
7256 ? X..90,pcenc req=8017,8018
7257 ? X..70,pcenc req=8018
7258 ? X3,posinseqslash req=8018+7259
7259 ? X..40,pcenc req=8018 ex=7256
8001 ? N4,nonzero N5,nonzero N3,nonzero N1,winding N1 req=01
8002 ? X..20
8003 ? N1,zero N13,csum,gcppos1 [X..16] dlpkey
8004 ? X..30,gcppos1 dlpkey=7040
8005 ? N6 req=01,02
8006 ? N14,csum,gcppos2 N4,pieceoftotal ex=01,03,37 dlpkey=22,10,21
8007 ? X..34,iban req=415
8008 ? N6,yymmdd N2,hh [N2],mi [N2],ss req=01,02,03
8009 ? X..50 req=00,01,03
8010 ? Y..30,gcppos1 dlpkey=8011
8011 N..12,nozeroprefix req=8010
8012 ? X..20 req=01,03,8006
8013 ? X..25,csumalpha,gcppos1 dlpkey
8014 X..25,csumalpha,gcppos1,hasnondigit req=01
8017 ? N18,csum,gcppos1 ex=8018 dlpkey=8019
8018 ? N18,csum,gcppos1 ex=8017 dlpkey=8019
8019 N..10 req=8017,8018
8020 X..25 req=415
8026 ? N14,csum,gcppos2 N4,pieceoftotal req=37 ex=02,03,8006
8030 ? Z..90 req=00,01+21,03+21,253,255,8003,8004,8006+21,8010+8011,8017,8018
8040 N15 req=01+21
8041 N15 req=01+21+8040
8042 N32 req=01+21+8040
8043 N18 [N..2] req=01+21+8040
8110 ? X..70,couponcode
8111 ? N4 req=255
8112 ? X..70,couponposoffer
8200 X..70 req=01
90 ? X..30
91-99 ? X..90
`

// countryTable is ISO 3166-1: alpha-2 and numeric codes.
const countryTable = `
AD020 AE784 AF004 AG028 AI660 AL008 AM051 AO024 AQ010 AR032 AS016 AT040 AU036 AW533 AX248 AZ031 BA070 BB052 BD050 BE056 BF854 BG100
BH048 BI108 BJ204 BL652 BM060 BN096 BO068 BQ535 BR076 BS044 BT064 BV074 BW072 BY112 BZ084 CA124 CC166 CD180 CF140 CG178 CH756 CI384
CK184 CL152 CM120 CN156 CO170 CR188 CU192 CV132 CW531 CX162 CY196 CZ203 DE276 DJ262 DK208 DM212 DO214 DZ012 EC218 EE233 EG818 EH732
ER232 ES724 ET231 FI246 FJ242 FK238 FM583 FO234 FR250 GA266 GB826 GD308 GE268 GF254 GG831 GH288 GI292 GL304 GM270 GN324 GP312 GQ226
GR300 GS239 GT320 GU316 GW624 GY328 HK344 HM334 HN340 HR191 HT332 HU348 ID360 IE372 IL376 IM833 IN356 IO086 IQ368 IR364 IS352 IT380
JE832 JM388 JO400 JP392 KE404 KG417 KH116 KI296 KM174 KN659 KP408 KR410 KW414 KY136 KZ398 LA418 LB422 LC662 LI438 LK144 LR430 LS426
LT440 LU442 LV428 LY434 MA504 MC492 MD498 ME499 MF663 MG450 MH584 MK807 ML466 MM104 MN496 MO446 MP580 MQ474 MR478 MS500 MT470 MU480
MV462 MW454 MX484 MY458 MZ508 NA516 NC540 NE562 NF574 NG566 NI558 NL528 NO578 NP524 NR520 NU570 NZ554 OM512 PA591 PE604 PF258 PG598
PH608 PK586 PL616 PM666 PN612 PR630 PS275 PT620 PW585 PY600 QA634 RE638 RO642 RS688 RU643 RW646 SA682 SB090 SC690 SD729 SE752 SG702
SH654 SI705 SJ744 SK703 SL694 SM674 SN686 SO706 SR740 SS728 ST678 SV222 SX534 SY760 SZ748 TC796 TD148 TF260 TG768 TH764 TJ762 TK772
TL626 TM795 TN788 TO776 TR792 TT780 TV798 TW158 TZ834 UA804 UG800 UM581 US840 UY858 UZ860 VA336 VC670 VE862 VG092 VI850 VN704 VU548
WF876 WS882 YE887 YT175 ZA710 ZM894 ZW716
`
